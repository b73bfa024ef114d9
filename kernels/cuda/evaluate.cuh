// Everything that is pointwise between the stages of a plan, for PX neighbouring pixels, after the
// combined matte: the same chain as kernels/reference/pointwise.py. A Sink receives the results.
#pragma once
#include "mattes.cuh"

// From the combined matte to the final one: refined, then keep_solid, garbage, the plate's own alpha.
DEVICE void final_alpha(const Params& P, int flags, const Pixels& px, float* alpha) {
    float m[PX];
    if (flags & HAS_CUMULATIVE) {
        load_px(plane_at(P.cumulative), false, px.at, alpha);
    } else {
        EACH_PIXEL alpha[p] = ramp(alpha[p], P.black, P.span_inverse);
    }
    if (flags & HAS_KEEP_SOLID) {
        load_px(plane_at(P.keep_solid), false, px.at, m);
        EACH_PIXEL alpha[p] = fmaxf(alpha[p], m[p]);
    }
    if (flags & HAS_GARBAGE) {
        load_px(plane_at(P.garbage), false, px.at, m);
        EACH_PIXEL alpha[p] *= 1.0f - m[p];
    }
    if (flags & HAS_PLATE_ALPHA) {
        load_px(plane_at(P.plate_alpha), false, px.at, m);
        EACH_PIXEL alpha[p] *= m[p];
    }
}

// Where pass n works.
DEVICE void pass_mask(const Params& P, int n, int flags, const Pixels& px, const float* alpha,
                      float* mask) {
    const int code = PASS_CODE(P, n);
    float m[PX];
    EACH_PIXEL mask[p] = 1.0f;
    if (code & PASS_MASK) {
        if ((code & PASS_MASK) == MASK_EXTRACTOR) {
            load_px(plane_at(P.pass_matte[n]), false, px.at, m);
        } else {
            EACH_PIXEL m[p] = alpha[p];
        }
        EACH_PIXEL mask[p] = P.pass[n].mask_sign * m[p] + P.pass[n].mask_offset;
    }
    if (code & PASS_SHAPES) {
        load_px(plane_at(P.pass_mask[n]), false, px.at, m);
        EACH_PIXEL mask[p] *= m[p];
    }
}

// All passes on x, in place.
DEVICE void despill(const Params& P, int flags, const Pixels& px, const float* alpha,
                       float (*x)[PX]) {
    UNROLL_STRUCTURE
    for (int n = 0; n < PASSES(P); ++n) {
        if (!P.pass[n].on) continue;
        const int code = PASS_CODE(P, n);
        const float2* tables = reinterpret_cast<const float2*>(P.hue_tables) + 2 * n * HUES;
        float before[3][PX], fill[3][PX];
        if (code & (PASS_MASK | PASS_SHAPES)) EACH_CHANNEL EACH_PIXEL before[c][p] = x[c][p];
        if ((code & PASS_FILL) == FILL_BACKGROUND) load3(P.fill[n], false, P.plane, px.at, fill);
        remove_spill(P.pass[n], code, PRIMARY(flags), P.weights, tables, px.clean, fill, x);
        if (code & PASS_SATURATION_CURVE) saturate_by_hue(P.weights, tables + HUES, x);
        if (code & (PASS_MASK | PASS_SHAPES)) {
            float mask[PX];
            pass_mask(P, n, flags, px, alpha, mask);
            EACH_CHANNEL EACH_PIXEL x[c][p] = before[c][p] + (x[c][p] - before[c][p]) * mask[p];
        }
    }
}

// The background with the screen's shadows and light, without grain. light: despilled, where taken over.
DEVICE void lit_background(const Params& P, int flags, const Pixels& px, const float* area,
                             const float (*light)[PX], float (*back)[PX]) {
    if (!(flags & HAS_BACKGROUND)) {
        EACH_CHANNEL EACH_PIXEL back[c][p] = 0.0f;
        return;
    }
    load3(P.background, flags & BACKGROUND_HALF, P.plane, px.at, back);
    if (!(flags & HAS_AREA)) return;
    if (flags & HAS_SHADOW) {
        const int k = PRIMARY(flags);
        float shadow[PX];
        load_px(plane_at(P.shadow), false, px.at, shadow);
        EACH_PIXEL {
            const float own = pick(k, px.clean[0][p], px.clean[1][p], px.clean[2][p]);
            const float lit = clamp01(divided(shadow[p], fmaxf(own, 1e-6f)));
            const float factor = 1.0f + (lit - 1.0f) * (P.light_shadows * area[p]);
            EACH_CHANNEL back[c][p] *= factor;
        }
    }
    if (flags & HAS_LIGHT)
        EACH_CHANNEL EACH_PIXEL back[c][p] += (P.light_amount * area[p]) * light[c][p];
}

// Everything that is pointwise between the stages of a plan, for PX neighbouring pixels: the same
// chain as kernels/reference/pointwise.py. A Sink receives the results asked for.
#pragma once
#include "assemble.cuh"
#include "extract.cuh"
#include "neutralise.cuh"

#ifdef SPECIALISED
#define UNROLL_STRUCTURE _Pragma("unroll")
#else
#define UNROLL_STRUCTURE _Pragma("unroll 1")
#endif
#if defined(SPECIALISED) || defined(LEAN)
#define UNROLL_UNLESS_FULL _Pragma("unroll")
#else
#define UNROLL_UNLESS_FULL _Pragma("unroll 1")
#endif

// Outputs that need the matte, the neutralised plate, the assembly.
#define ASSEMBLED (OUT_ALPHA | OUT_STRAIGHT | OUT_CUTOUT | OUT_COMPOSITE)
#define NEEDS_ALPHA (ASSEMBLED | OUT_MATTE | OUT_WRAP | OUT_FOREGROUND | OUT_DECIDING)
#define NEEDS_NEUTRALISED \
    (OUT_NEUTRALISED | OUT_STRAIGHT | OUT_CUTOUT | OUT_COMPOSITE | OUT_FOREGROUND | OUT_SPILL \
     | OUT_ALPHA_NOISE)

// Outputs that need the extractors even where a stage made the cumulative matte.
#define MATTES_ANYWAY (OUT_RAW | OUT_EXTRACTOR | OUT_JOINED | OUT_DECIDING)

// The inputs of one thread's pixels, in registers.
struct Pixels {
    long long at;  // of the first pixel, in a plane
    int x, y;
    float plate[3][PX], denoised[3][PX], clean[3][PX];
};

DEVICE const void* plane_at(u64 planes) { return reinterpret_cast<const void*>(planes); }

DEVICE void load3(u64 planes, bool half, long long stride, long long at, float (*to)[PX]) {
    EACH_CHANNEL load_px(plane_at(planes), half, at + c * stride, to[c]);
}

DEVICE void load_pixels(const Params& P, int flags, Pixels& px) {
    load3(P.plate, flags & PLATE_HALF, P.plane, px.at, px.plate);
    if (flags & HAS_DENOISED) {
        load3(P.denoised, flags & DENOISED_HALF, P.plane, px.at, px.denoised);
    } else {
        EACH_CHANNEL EACH_PIXEL px.denoised[c][p] = px.plate[c][p];
    }
    if (flags & HAS_CLEAN) {
        load3(P.clean, flags & CLEAN_HALF, P.plane, px.at, px.clean);
    } else {
        EACH_CHANNEL EACH_PIXEL px.clean[c][p] = P.backing[c];
    }
}

// The value that a value band looks at.
DEVICE void banded_values(int mode, const float* w, const float (*x)[PX], float* value) {
    switch (mode) {
        case 0: EACH_PIXEL value[p] = x[0][p]; break;
        case 1: EACH_PIXEL value[p] = x[1][p]; break;
        case 2: EACH_PIXEL value[p] = x[2][p]; break;
        case 3: EACH_PIXEL value[p] = luminance(x[0][p], x[1][p], x[2][p], w); break;
        case 4: EACH_PIXEL value[p] = max3(x[0][p], x[1][p], x[2][p]); break;
        case 5: EACH_PIXEL value[p] = min3(x[0][p], x[1][p], x[2][p]); break;
        default: EACH_PIXEL value[p] = saturation_of(x[0][p], x[1][p], x[2][p]);
    }
}

// An extractor's matte for all pixels of the thread: before its refinement for OUT_RAW, else with
// its levels.
DEVICE void own_mattes(const Params& P, int e, int flags, const Pixels& px, float* m) {
    const int code = CODE(P, e), k = PRIMARY(flags);
    const float* v = P.extractor[e].v;
    const bool varies = (flags & HAS_CLEAN) != 0, log = (code & SPACE_LOG) != 0;
    float x[3][PX], c3[3][PX];
    EACH_CHANNEL EACH_PIXEL {
        const float linear = code & READS_DENOISED ? px.denoised[c][p] : px.plate[c][p];
        x[c][p] = log ? acescct_from_linear(linear) : linear;
    }
    if ((code & KIND) >= KIND_PLATE_DIFFERENCE) {
        if (!varies) {
            EACH_CHANNEL EACH_PIXEL c3[c][p] = log ? P.backing_log[c] : P.backing[c];
        } else {
            EACH_CHANNEL EACH_PIXEL {
                c3[c][p] = log ? acescct_from_linear(px.clean[c][p]) : px.clean[c][p];
            }
        }
    }
#define AT(plane) {plane[0][p], plane[1][p], plane[2][p]}
    switch (code & KIND) {
        case KIND_VALUE_BAND:
            banded_values(MODE(code), P.weights, x, m);
            EACH_PIXEL m[p] = value_band(v, code, m[p]);
            break;
        case KIND_HUE_BAND:
            EACH_PIXEL {
                const float here[3] = AT(x);
                m[p] = hue_band(v, here);
            }
            break;
        case KIND_PLATE_DIFFERENCE:
            EACH_PIXEL {
                const float here[3] = AT(x), backing[3] = AT(c3), clean[3] = AT(px.clean);
                float linear[3];
                EACH_CHANNEL linear[c] = code & READS_DENOISED ? px.denoised[c][p] : px.plate[c][p];
                m[p] = plate_difference(P, v, code, varies, linear, here, clean, backing);
            }
            break;
        case KIND_COLOUR_DIFFERENCE:
            EACH_PIXEL {
                const float here[3] = AT(x), backing[3] = AT(c3), clean[3] = AT(px.clean);
                m[p] = colour_difference(P, v, code, k, varies, here, clean, backing);
            }
            break;
        default:
            EACH_PIXEL {
                const float here[3] = AT(x), backing[3] = AT(c3);
                m[p] = chroma_distance(v, k, here, backing);
            }
    }
#undef AT
    const ExtractorParams& q = P.extractor[e];
    if ((OUTPUTS(P) & OUT_RAW) || q.steep) EACH_PIXEL m[p] = q.sign * m[p] + q.offset;
    if (OUTPUTS(P) & OUT_RAW) return;
    if (q.steep) {
        EACH_PIXEL m[p] = ramp(m[p], q.black, q.span_inverse);
    } else {
        EACH_PIXEL m[p] = clamp01(m[p] * q.scale + q.shift);
    }
}

DEVICE void guide_of(const Params& P, const Pixels& px, bool denoised, float* guide) {
    EACH_PIXEL {
        float x[3];
        EACH_CHANNEL x[c] = acescct_from_linear(denoised ? px.denoised[c][p] : px.plate[c][p]);
        guide[p] = luminance(x[0], x[1], x[2], P.weights);
    }
}

// What joins so far: the matte, the weight of a run of averages, and for the view `deciding` which
// join changed the matte most.
struct Joined {
    float matte[PX], weight[PX], largest[PX];
    int decides[PX];
};

DEVICE void start(Joined& acc) {
    EACH_PIXEL {
        acc.matte[p] = 1.0f;
        acc.weight[p] = 1.0f;
        acc.largest[p] = 1.0f / 512.0f;
        acc.decides[p] = -1;
    }
}

// Join finished mattes to those before them: mix(acc, join(acc, matte), strength).
DEVICE void join(int how, float strength, const float* m, const float* mask, Joined& acc) {
    float joined[PX];
    if (how == JOIN_AVERAGE) {
        EACH_PIXEL {
            const float grown = acc.weight[p] + strength * mask[p];
            acc.matte[p] = divided(acc.weight[p] * acc.matte[p] + strength * m[p], grown);
            acc.weight[p] = grown;
        }
        return;
    }
    switch (how) {
        case JOIN_MAX: EACH_PIXEL joined[p] = fmaxf(acc.matte[p], m[p]); break;
        case JOIN_MIN: EACH_PIXEL joined[p] = fminf(acc.matte[p], m[p] + (1.0f - mask[p])); break;
        case JOIN_SCREEN:
            EACH_PIXEL joined[p] = 1.0f - (1.0f - acc.matte[p]) * (1.0f - m[p]);
            break;
        case JOIN_MULTIPLY: EACH_PIXEL joined[p] = acc.matte[p] * (m[p] + (1.0f - mask[p])); break;
        case JOIN_SUBTRACT: EACH_PIXEL joined[p] = fmaxf(acc.matte[p] - m[p], 0.0f); break;
        default: EACH_PIXEL joined[p] = fabsf(acc.matte[p] - m[p]);
    }
    EACH_PIXEL {
        acc.weight[p] = 1.0f;
        acc.matte[p] = blend(acc.matte[p], joined[p], strength);
    }
}

// All extractors that are on, joined; or one extractor's matte straight into the sink.
template <class Sink>
DEVICE void mattes(const Params& P, int flags, const Pixels& px, Joined& acc, Sink& sink) {
    const int outputs = OUTPUTS(P);
    const bool only = (outputs & (OUT_RAW | OUT_EXTRACTOR)) != 0;
    bool first = true;
    int turn = 0;
    UNROLL_STRUCTURE
    for (int e = 0; e < EXTRACTORS(P); ++e) {
        if (only ? e != OUT_INDEX(P) : !P.extractor[e].on) continue;
        const int code = CODE(P, e);
        float m[PX], mask[PX];
        if ((code & FROM_STAGE) && !(outputs & OUT_RAW)) {
            load_px(plane_at(P.matte[e]), false, px.at, m);
        } else {
            own_mattes(P, e, flags, px, m);
        }
        EACH_PIXEL mask[p] = 1.0f;
        if ((code & HAS_MASK) && !(outputs & OUT_RAW)) {
            load_px(plane_at(P.mask[e]), false, px.at, mask);
            EACH_PIXEL m[p] *= mask[p];
        }
        if (only) {
            sink.put(outputs & OUT_RAW ? OUT_RAW : OUT_EXTRACTOR, 0, m);
            continue;
        }
        float before[PX];
        EACH_PIXEL before[p] = first ? 0.0f : acc.matte[p];
        if (first) {
            EACH_PIXEL acc.matte[p] = P.extractor[e].strength * m[p];
        } else {
            join(JOIN(code), P.extractor[e].strength, m, mask, acc);
        }
        if (outputs & OUT_DECIDING) {
            EACH_PIXEL {
                const float change = fabsf(acc.matte[p] - before[p]);
                if (change >= acc.largest[p]) acc.decides[p] = turn;
                acc.largest[p] = fmaxf(acc.largest[p], change);
            }
        }
        first = false;
        ++turn;
    }
}

// From the joined matte to the final one: refined, then holdout, garbage, the plate's own alpha.
DEVICE void final_alpha(const Params& P, int flags, const Pixels& px, float* alpha) {
    float m[PX];
    if (flags & HAS_CUMULATIVE) {
        load_px(plane_at(P.cumulative), false, px.at, alpha);
    } else {
        EACH_PIXEL alpha[p] = ramp(alpha[p], P.black, P.span_inverse);
    }
    if (flags & HAS_HOLDOUT) {
        load_px(plane_at(P.holdout), false, px.at, m);
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
DEVICE void neutralise(const Params& P, int flags, const Pixels& px, const float* alpha,
                       float (*x)[PX]) {
    UNROLL_STRUCTURE
    for (int n = 0; n < PASSES(P); ++n) {
        if (!P.pass[n].on) continue;
        const int code = PASS_CODE(P, n);
        const float2* tables = reinterpret_cast<const float2*>(P.hue_tables) + 2 * n * HUES;
        float before[3][PX], fill[3][PX];
        if (code & (PASS_MASK | PASS_SHAPES)) EACH_CHANNEL EACH_PIXEL before[c][p] = x[c][p];
        if ((code & PASS_FILL) == FILL_BACKDROP) load3(P.fill[n], false, P.plane, px.at, fill);
        remove_spill(P.pass[n], code, PRIMARY(flags), P.weights, tables, px.clean, fill, x);
        if (code & PASS_SATURATION_CURVE) saturate_by_hue(P.weights, tables + HUES, x);
        if (code & (PASS_MASK | PASS_SHAPES)) {
            float mask[PX];
            pass_mask(P, n, flags, px, alpha, mask);
            EACH_CHANNEL EACH_PIXEL x[c][p] = before[c][p] + (x[c][p] - before[c][p]) * mask[p];
        }
    }
}

// The backdrop with carried shadows and light, without grain. light: neutralised, where carried.
DEVICE void carried_backdrop(const Params& P, int flags, const Pixels& px, const float* area,
                             const float (*light)[PX], float (*back)[PX]) {
    if (!(flags & HAS_BACKDROP)) {
        EACH_CHANNEL EACH_PIXEL back[c][p] = 0.0f;
        return;
    }
    load3(P.backdrop, flags & BACKDROP_HALF, P.plane, px.at, back);
    if (!(flags & HAS_AREA)) return;
    if (flags & HAS_SHADOW) {
        const int k = PRIMARY(flags);
        float shadow[PX];
        load_px(plane_at(P.shadow), false, px.at, shadow);
        EACH_PIXEL {
            const float own = pick(k, px.clean[0][p], px.clean[1][p], px.clean[2][p]);
            const float lit = clamp01(divided(shadow[p], fmaxf(own, 1e-6f)));
            const float factor = 1.0f + (lit - 1.0f) * (P.carry_shadows * area[p]);
            EACH_CHANNEL back[c][p] *= factor;
        }
    }
    if (flags & HAS_LIGHT)
        EACH_CHANNEL EACH_PIXEL back[c][p] += (P.carry_light * area[p]) * light[c][p];
}

// One thread's whole work between two stages: what the outputs need, in order, into a Sink. Each
// costly step stands here once, so that the parameter-array form stays small.
#pragma once
#include "evaluate.cuh"
#include "measures.cuh"

// Outputs that are inputs, or measured on them.
template <class Sink>
DEVICE void input_outputs(const Params& P, int flags, const Pixels& px, Sink& sink) {
    const int outputs = OUTPUTS(P);
    if (outputs & OUT_PRIMARY) {
        float m[PX];
        EACH_PIXEL m[p] = pick(PRIMARY(flags), px.denoised(0, p), px.denoised(1, p),
                               px.denoised(2, p));
        sink.put(OUT_PRIMARY, 0, m);
    }
    if (outputs & OUT_PLATE) EACH_CHANNEL sink.put(OUT_PLATE, c, px.plate[c]);
    if (outputs & OUT_DENOISED) {
        EACH_CHANNEL {
            float m[PX];
            EACH_PIXEL m[p] = px.denoised(c, p);
            sink.put(OUT_DENOISED, c, m);
        }
    }
    if (outputs & OUT_CLEAN) EACH_CHANNEL sink.put(OUT_CLEAN, c, px.clean[c]);
    if (outputs & OUT_EVENNESS) {
        float measure[3][PX];
        evenness(P, flags, px, measure);
        EACH_CHANNEL sink.put(OUT_EVENNESS, c, measure[c]);
    }
    if (outputs & OUT_ALPHA_ERROR) {
        float measure[3][PX];
        alpha_error(P, px, measure);
        EACH_CHANNEL sink.put(OUT_ALPHA_ERROR, c, measure[c]);
    }
}

// The matte's outputs; returns whether anything is left to do.
template <class Sink>
DEVICE void matte_outputs(const Params& P, int flags, const Pixels& px, float* alpha, Sink& sink) {
    const int outputs = OUTPUTS(P);
    Combined acc;
    start(acc);
    if (!(flags & HAS_CUMULATIVE) || (outputs & MATTES_ANYWAY)) mattes(P, flags, px, acc, sink);
    if (outputs & OUT_COMBINED) sink.put(OUT_COMBINED, 0, acc.matte);
    if ((outputs & (OUT_RAW | OUT_COMBINED)) && P.out_guide) {
        float guide[PX];
        const bool denoised = (outputs & OUT_COMBINED) || (CODE(P, OUT_INDEX(P)) & READS_DENOISED);
        guide_of(P, px, denoised, guide);
        store_px(reinterpret_cast<void*>(P.out_guide), false, px.at, guide);
    }
    EACH_PIXEL alpha[p] = acc.matte[p];
    final_alpha(P, flags, px, alpha);
    if (outputs & OUT_MATTE) sink.put(OUT_MATTE, 0, alpha);
    if (outputs & OUT_DECIDING) {
        float shown[3][PX];
        deciding(alpha, acc.decides, shown);
        EACH_CHANNEL sink.put(OUT_DECIDING, c, shown[c]);
    }
}

// Whether any pass is limited by the combined matte.
DEVICE bool masked_by_alpha(const Params& P) {
    bool any = false;
    UNROLL_STRUCTURE
    for (int n = 0; n < PASSES(P); ++n)
        any = any || (PASS_CODE(P, n) & PASS_MASK) == MASK_CUMULATIVE;
    return any;
}

// The plate, the clean plate and the screen's light, despilled where they are needed.
struct Neutral {
    float plate[3][PX], clean[3][PX], light[3][PX];
};

DEVICE void despill_all(const Params& P, int flags, const Pixels& px, const float* alpha,
                           Neutral& n) {
    const int outputs = OUTPUTS(P);
    const bool cut = (outputs & (OUT_STRAIGHT | OUT_FOREGROUND | OUT_COMPOSITE)) != 0;
    const bool with_clean = cut && EDGE(flags) != EDGE_MULTIPLY && !(flags & CLEAN_IS_EVEN);
    const bool with_light = (outputs & (OUT_WRAP | OUT_COMPOSITE)) && (flags & HAS_LIGHT);
    // Where alpha is 0 the foreground is 0, and where it is 0 or 1 the screen's share of it, whatever
    // their colours.
    int mixed = flags & HAS_AREA, kept = outputs & DESPILLED_ANYWAY;
    EACH_PIXEL {
        mixed |= bits_of(alpha[p] - alpha[p] * alpha[p]);
        kept |= bits_of(alpha[p]);
    }
    EACH_CHANNEL EACH_PIXEL {
        n.plate[c][p] = px.plate[c][p];
        n.clean[c][p] = px.clean[c][p];
    }
    UNROLL_UNLESS_FULL
    for (int image = 0; image < 3; ++image) {
        if (image == 0   ? !((outputs & NEEDS_DESPILLED) && kept)
            : image == 1 ? !(with_clean && mixed)
                         : !with_light)
            continue;
        float x[3][PX];
        EACH_CHANNEL EACH_PIXEL {
            x[c][p] = image == 0   ? px.plate[c][p]
                      : image == 1 ? px.clean[c][p]
                                   : fmaxf(px.denoised(c, p) - px.clean[c][p], 0.0f);
        }
        despill(P, flags, px, alpha, x);
        EACH_CHANNEL EACH_PIXEL {
            if (image == 0) n.plate[c][p] = x[c][p];
            else if (image == 1) n.clean[c][p] = x[c][p];
            else n.light[c][p] = x[c][p];
        }
    }
    if (cut && (flags & CLEAN_IS_EVEN))
        EACH_CHANNEL EACH_PIXEL n.clean[c][p] = P.neutral_screen[c];
}

// Outputs made from the despilled plate alone.
template <class Sink>
DEVICE void neutral_outputs(const Params& P, int flags, const Pixels& px, const float* alpha,
                            const Neutral& n, Sink& sink) {
    const int outputs = OUTPUTS(P);
    if (outputs & OUT_DESPILLED) EACH_CHANNEL sink.put(OUT_DESPILLED, c, n.plate[c]);
    if (outputs & OUT_SPILL) {
        EACH_CHANNEL {
            float s[PX];
            EACH_PIXEL s[p] = fmaxf(px.plate[c][p] - n.plate[c][p], 0.0f);
            sink.put(OUT_SPILL, c, s);
        }
    }
    if (outputs & OUT_ALPHA_NOISE) {
        float measure[3][PX];
        alpha_noise(P, px, n.plate, measure);
        EACH_CHANNEL sink.put(OUT_ALPHA_NOISE, c, measure[c]);
    }
    if (outputs & OUT_LOCAL_FOREGROUND) {
        float w[PX];
        EACH_PIXEL w[p] = local_foreground_weight(alpha[p]);
        EACH_CHANNEL {
            float v[PX];
            EACH_PIXEL v[p] = w[p] * n.plate[c][p];
            sink.put(OUT_LOCAL_FOREGROUND, c, v);
        }
        sink.put(OUT_LOCAL_FOREGROUND, 3, w);
    }
}

// Premultiplied and straight colour; `cut` receives the first.
template <class Sink>
DEVICE void foreground(const Params& P, int flags, const Pixels& px, const float* a, const Neutral& n,
                   float (*cut)[PX], Sink& sink) {
    const int outputs = OUTPUTS(P), method = EDGE(flags);
    float weight[PX];
    if (flags & HAS_LOCAL_FOREGROUND)
        load_px(plane_at(P.local_foreground), false, px.at + 3 * P.plane, weight);
    EACH_CHANNEL {
        float f0[PX];
        EACH_PIXEL f0[p] = n.plate[c][p];
        if (flags & HAS_LOCAL_FOREGROUND) {
            load_px(plane_at(P.local_foreground), false, px.at + c * P.plane, f0);
            EACH_PIXEL f0[p] = local_foreground_finish(f0[p], weight[p], n.plate[c][p]);
        }
        edge_colour(P, method, a, n.plate[c], n.clean[c], f0, cut[c]);
    }
    if (P.graded) EACH_CHANNEL EACH_PIXEL cut[c][p] *= P.foreground_gain[c];
    EACH_CHANNEL {
        if (outputs & OUT_FOREGROUND) sink.put(OUT_FOREGROUND, c, cut[c]);
        if (outputs & OUT_STRAIGHT) {
            float s[PX];
            EACH_PIXEL s[p] = straight_of(cut[c][p], a[p], n.plate[c][p] * P.foreground_gain[c]);
            sink.put(OUT_STRAIGHT, c, s);
        }
    }
}

template <class Sink>
DEVICE void assembled(const Params& P, int flags, const Pixels& px, const float* alpha,
                      const Neutral& n, Sink& sink) {
    const int outputs = OUTPUTS(P);
    float a[PX], area[PX];
    if (flags & HAS_AREA) {
        load_px(plane_at(P.area), false, px.at, area);
        EACH_PIXEL a[p] = alpha[p] * (1.0f - area[p]);
    } else {
        EACH_PIXEL {
            area[p] = 0.0f;
            a[p] = alpha[p];
        }
    }
    if (outputs & OUT_ALPHA) sink.put(OUT_ALPHA, 0, a);
    float cut[3][PX], back[3][PX];
    if (outputs & (OUT_STRAIGHT | OUT_FOREGROUND | OUT_COMPOSITE))
        foreground(P, flags, px, a, n, cut, sink);
    if (!(outputs & (OUT_WRAP | OUT_COMPOSITE))) return;
    lit_background(P, flags, px, area, n.light, back);
    if (outputs & OUT_WRAP) {
        EACH_CHANNEL {
            float v[PX];
            EACH_PIXEL v[p] = (1.0f - a[p]) * back[c][p];
            sink.put(OUT_WRAP, c, v);
        }
    }
    if (!(outputs & OUT_COMPOSITE)) return;
    if ((flags & REGRAIN) && (flags & HAS_BACKGROUND)) {
        EACH_PIXEL {
            float v[3] = {back[0][p], back[1][p], back[2][p]};
            regrain(P, v, px.x + p, px.y);
            EACH_CHANNEL back[c][p] = v[c];
        }
    }
    EACH_CHANNEL {
        float wrap[PX];
        if (flags & HAS_WRAP) load_px(plane_at(P.wrap), false, px.at + c * P.plane, wrap);
        EACH_PIXEL {
            float v = cut[c][p] + (1.0f - a[p]) * back[c][p];
            if (flags & HAS_WRAP) v += (P.wrap_amount * a[p]) * wrap[p];
            back[c][p] = v;
        }
        sink.put(OUT_COMPOSITE, c, back[c]);
    }
}

template <class Sink>
DEVICE void evaluate(const Params& P, int x, int y, Pixels& px, Sink& sink) {
    const int flags = FLAGS(P), outputs = OUTPUTS(P);
    px.x = x;
    px.y = y;
    px.at = (long long)y * P.pitch + x;
    load_pixels(P, flags, px);
    input_outputs(P, flags, px, sink);
    float alpha[PX];
    EACH_PIXEL alpha[p] = 0.0f;
    const bool masked = (outputs & (NEEDS_DESPILLED | OUT_WRAP)) && masked_by_alpha(P);
    if ((outputs & (NEEDS_ALPHA | MATTES_ANYWAY)) || masked)
        matte_outputs(P, flags, px, alpha, sink);
    if (!(outputs & (NEEDS_DESPILLED | ASSEMBLED | OUT_WRAP))) return;
    Neutral n;
    despill_all(P, flags, px, alpha, n);
    neutral_outputs(P, flags, px, alpha, n, sink);
    if (outputs & (ASSEMBLED | OUT_WRAP)) assembled(P, flags, px, alpha, n, sink);
}

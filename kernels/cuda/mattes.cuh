// The inputs of a thread's pixels, and the matte side: every extractor's matte, combined in list order;
// the same chain as kernels/reference/extract.py and combine.py.
#pragma once
#include "assemble.cuh"
#include "extract.cuh"
#include "despill.cuh"

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

// Outputs that need the matte, the despilled plate, the assembly.
#define ASSEMBLED (OUT_ALPHA | OUT_STRAIGHT | OUT_FOREGROUND | OUT_COMPOSITE)
#define NEEDS_ALPHA (ASSEMBLED | OUT_MATTE | OUT_WRAP | OUT_LOCAL_FOREGROUND | OUT_DECIDING)
#define NEEDS_DESPILLED \
    (OUT_DESPILLED | OUT_STRAIGHT | OUT_FOREGROUND | OUT_COMPOSITE | OUT_LOCAL_FOREGROUND | OUT_SPILL \
     | OUT_ALPHA_NOISE)

// Outputs that show the despilled plate where alpha is 0 too.
#define DESPILLED_ANYWAY (OUT_DESPILLED | OUT_STRAIGHT | OUT_SPILL | OUT_ALPHA_NOISE)

// Outputs that need the extractors even where a stage made the cumulative matte.
#define MATTES_ANYWAY (OUT_RAW | OUT_EXTRACTOR | OUT_COMBINED | OUT_DECIDING)

// The inputs of one thread's pixels: in registers, or, in the lean size, in shared memory. There the
// loop over extractors reads them again each time; with all of them in registers the compiler would
// also work out beforehand whatever any kind of extractor may need of them.
struct alignas(16) Pixels {
    float plate[3][PX], clean[3][PX];
    long long at;  // of the first pixel, in a plane
    int x, y;
#ifdef LEAN
    DEVICE float denoised(int c, int p) const { return plate[c][p]; }
#else
    float denoised_plate[3][PX];
    DEVICE float denoised(int c, int p) const { return denoised_plate[c][p]; }
#endif
};

#ifdef LEAN
#define PIXELS(name, threads)             \
    __shared__ Pixels name##_of[threads]; \
    Pixels& name = name##_of[threadIdx.y * BLOCK_X + threadIdx.x]
#else
#define PIXELS(name, threads) Pixels name
#endif

DEVICE const void* plane_at(u64 planes) { return reinterpret_cast<const void*>(planes); }

DEVICE void load3(u64 planes, bool half, long long stride, long long at, float (*to)[PX]) {
    EACH_CHANNEL load_px(plane_at(planes), half, at + c * stride, to[c]);
}

DEVICE void load_pixels(const Params& P, int flags, Pixels& px) {
    load3(P.plate, flags & PLATE_HALF, P.plane, px.at, px.plate);
#ifndef LEAN
    if (flags & HAS_DENOISED) {
        load3(P.denoised, flags & DENOISED_HALF, P.plane, px.at, px.denoised_plate);
    } else {
        EACH_CHANNEL EACH_PIXEL px.denoised_plate[c][p] = px.plate[c][p];
    }
#endif
    if (flags & HAS_CLEAN) {
        load3(P.clean, flags & CLEAN_HALF, P.plane, px.at, px.clean);
    } else {
        EACH_CHANNEL EACH_PIXEL px.clean[c][p] = P.screen[c];
    }
}

#define AT(plane) {plane[0][p], plane[1][p], plane[2][p]}

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

// The excess of the clean plate to divide by: larger where it comes near its noise, so that the
// screen's share fades; 0 where it is lost in it. See screen_trust in kernels/reference/extract.py.
DEVICE void screen_excess(const Params& P, const float* v, int code, int k, const Pixels& px,
                           const float (*c3)[PX], float* excess) {
    EACH_PIXEL {
        const float screen[3] = AT(c3);
        excess[p] = excess_of(v, code, k, screen);
    }
    if (P.noise_measured == 0.0f) return;
    EACH_PIXEL {
        const float screen[3] = AT(c3), clean[3] = AT(px.clean);
        const float e = excess[p], sigma = root(excess_variance(P, v, code, k, clean, screen));
        if (e < 2.0f * sigma) {
            const float trust = clamp01(divided(e - 0.5f * sigma, 1.5f * sigma));
            excess[p] = trust > 0.0f ? divided(e, trust) : 0.0f;
        }
    }
}

// From what a kind's function gives to the matte, inverted and with its levels unless it is `raw`.
DEVICE void levelled(const ExtractorParams& q, int code, bool raw, float* m) {
    const bool plain = raw || q.two_steps;
    if (is_straight(code)) {
        const float* line = plain ? q.raw : q.line;
        EACH_PIXEL m[p] = along(line, m[p]);
    } else if (!plain) {
        EACH_PIXEL m[p] = clamp01(m[p] * q.scale + q.shift);
    }
    if (!plain) return;
    EACH_PIXEL m[p] = q.sign * m[p] + q.offset;
    if (!raw) EACH_PIXEL m[p] = ramp(m[p], q.black, q.span_inverse);
}

// An extractor's matte for all pixels of the thread: before its refinement for OUT_RAW, else with
// its levels.
DEVICE void mattes_as(const Params& P, int e, int code, int flags, const Pixels& px, float* m) {
    const int k = PRIMARY(flags);
    const float* v = P.extractor[e].v;
    const bool varies = (flags & HAS_CLEAN) != 0, log = (code & SPACE_LOG) != 0;
    float x[3][PX], c3[3][PX];
    EACH_CHANNEL EACH_PIXEL {
        const float linear = code & READS_DENOISED ? px.denoised(c, p) : px.plate[c][p];
        x[c][p] = log ? acescct_from_linear(linear) : linear;
    }
    if ((code & KIND) != KIND_VALUE_BAND && (code & KIND) != KIND_HUE_BAND) {
        if (!varies) {
            EACH_CHANNEL EACH_PIXEL c3[c][p] = log ? P.screen_log[c] : P.screen[c];
        } else {
            EACH_CHANNEL EACH_PIXEL {
                c3[c][p] = log ? acescct_from_linear(px.clean[c][p]) : px.clean[c][p];
            }
        }
    }
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
                const float here[3] = AT(x), screen[3] = AT(c3), clean[3] = AT(px.clean);
                float linear[3];
                EACH_CHANNEL linear[c] = code & READS_DENOISED ? px.denoised(c, p) : px.plate[c][p];
                m[p] = plate_difference(P, v, code, varies, linear, here, clean, screen);
            }
            break;
        case KIND_COLOUR_DIFFERENCE: {
            float excess[PX];
            if (varies) screen_excess(P, v, code, k, px, c3, excess);
            EACH_PIXEL {
                const float here[3] = AT(x);
                m[p] = colour_difference(v, code, k, varies, here, varies ? excess[p] : 0.0f);
            }
            break;
        }
        case KIND_CHROMA_DISTANCE:
            EACH_PIXEL {
                const float here[3] = AT(x), screen[3] = AT(c3);
                m[p] = chroma_distance(v, k, here, screen);
            }
            break;
        case KIND_UNMIX: load_px(plane_at(P.unmixed[e]), false, px.at, m); break;
        default: EACH_PIXEL m[p] = 0.0f;  // never run: packing and the assertion below refuse it
    }
    levelled(P.extractor[e], code, (OUTPUTS(P) & OUT_RAW) != 0, m);
}

// Every kind that `mattes_as` has a case for; packing reads them here too.
DEVICE constexpr bool is_known(int code) {
    switch (code & KIND) {
        case KIND_VALUE_BAND:
        case KIND_HUE_BAND:
        case KIND_PLATE_DIFFERENCE:
        case KIND_COLOUR_DIFFERENCE:
        case KIND_CHROMA_DISTANCE:
        case KIND_UNMIX: return true;
        default: return false;
    }
}
#ifdef SPECIALISED
DEVICE constexpr bool all_known() {
    for (int e = 0; e < S_EXTRACTORS; ++e)
        if (!is_known(code_at(e))) return false;
    return true;
}
static_assert(all_known(), "an extractor is of a kind that has no code here");
#endif

// The lean size and the processor's form have straight-line code for each operation they know: the
// bits that say which are a constant in each branch.
DEVICE void own_mattes(const Params& P, int e, int flags, const Pixels& px, float* m) {
    const int code = CODE(P, e);
#if defined(LEAN) || defined(VERDIGRIS_WIDE)
#define CASE(operation)                                                       \
    case (operation):                                                         \
        mattes_as(P, e, (operation) | (code & ~OPERATION), flags, px, m);     \
        break;
#define IN_BOTH_SPACES(kind, mode)                                            \
    CASE((kind) | (mode) << MODE_SHIFT)                                       \
    CASE((kind) | (mode) << MODE_SHIFT | SPACE_LOG)
    switch (code & OPERATION) {
        IN_BOTH_SPACES(KIND_VALUE_BAND, 0)
        IN_BOTH_SPACES(KIND_VALUE_BAND, 1)
        IN_BOTH_SPACES(KIND_VALUE_BAND, 2)
        IN_BOTH_SPACES(KIND_VALUE_BAND, 3)
        IN_BOTH_SPACES(KIND_VALUE_BAND, 4)
        IN_BOTH_SPACES(KIND_VALUE_BAND, 5)
        IN_BOTH_SPACES(KIND_VALUE_BAND, 6)
        IN_BOTH_SPACES(KIND_HUE_BAND, 0)
        IN_BOTH_SPACES(KIND_PLATE_DIFFERENCE, 0)
        IN_BOTH_SPACES(KIND_PLATE_DIFFERENCE, 1)
        IN_BOTH_SPACES(KIND_COLOUR_DIFFERENCE, 0)
        IN_BOTH_SPACES(KIND_COLOUR_DIFFERENCE, 1)
        IN_BOTH_SPACES(KIND_CHROMA_DISTANCE, 0)
#ifdef VERDIGRIS_WIDE
        IN_BOTH_SPACES(KIND_PLATE_DIFFERENCE, NORM_DELTA_E)
        CASE(KIND_UNMIX)
#endif
    }
#else
    mattes_as(P, e, code, flags, px, m);
#endif
}

DEVICE void guide_of(const Params& P, const Pixels& px, bool denoised, float* guide) {
    EACH_PIXEL {
        float x[3];
        EACH_CHANNEL x[c] = acescct_from_linear(denoised ? px.denoised(c, p) : px.plate[c][p]);
        guide[p] = luminance(x[0], x[1], x[2], P.weights);
    }
}

// What combines so far: the matte, the weight of a run of averages, and for the view `deciding` which
// combine changed the matte most.
struct Combined {
    float matte[PX], weight[PX], largest[PX];
    int decides[PX];
};

DEVICE void start(Combined& acc) {
    EACH_PIXEL {
        acc.matte[p] = 1.0f;
        acc.weight[p] = 1.0f;
        acc.largest[p] = 1.0f / 512.0f;
        acc.decides[p] = -1;
    }
}

// Join finished mattes to those before them: mix(acc, combine(acc, matte), strength).
DEVICE void combine(int how, float strength, const float* m, const float* mask, Combined& acc) {
    if (how == COMBINE_AVERAGE) {
        EACH_PIXEL {
            const float grown = acc.weight[p] + strength * mask[p];
            acc.matte[p] = divided(acc.weight[p] * acc.matte[p] + strength * m[p], grown);
            acc.weight[p] = grown;
        }
        return;
    }
    const float rest = 1.0f - strength;
    float* a = acc.matte;
    EACH_PIXEL acc.weight[p] = 1.0f;
    switch (how) {
        case COMBINE_MAX: EACH_PIXEL a[p] = rest * a[p] + strength * fmaxf(a[p], m[p]); break;
        case COMBINE_MIN:
            EACH_PIXEL a[p] = rest * a[p] + strength * fminf(a[p], m[p] + (1.0f - mask[p]));
            break;
        case COMBINE_UNION:
            EACH_PIXEL a[p] = rest * a[p] + strength * (1.0f - (1.0f - a[p]) * (1.0f - m[p]));
            break;
        case COMBINE_MULTIPLY: EACH_PIXEL a[p] *= rest + strength * (m[p] + (1.0f - mask[p])); break;
        case COMBINE_SUBTRACT: EACH_PIXEL a[p] -= strength * fminf(a[p], m[p]); break;
        default: EACH_PIXEL a[p] = rest * a[p] + strength * fabsf(a[p] - m[p]);
    }
}

// All extractors that are on, combined; or one extractor's matte straight into the sink.
template <class Sink>
DEVICE void mattes(const Params& P, int flags, const Pixels& px, Combined& acc, Sink& sink) {
    const int outputs = OUTPUTS(P);
    const bool only = (outputs & (OUT_RAW | OUT_EXTRACTOR)) != 0;
    bool first = true;
    int turn = 0;
    UNROLL_STRUCTURE
    for (int e = 0; e < EXTRACTORS(P); ++e) {
#ifdef LEAN
        read_again();
#endif
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
            combine(COMBINE(code), P.extractor[e].strength, m, mask, acc);
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

// Spill removal, fill and saturation by hue, for the pixels of a thread; the same formulas as
// kernels/reference/despill.py. Works on the colour side only.
#pragma once
#include "colour.cuh"
#include "params.cuh"

DEVICE float pick(int c, float r, float g, float b) { return c == 0 ? r : (c == 1 ? g : b); }

// max(limit(x_i, x_j), 0): what the primary may not exceed.
DEVICE void limits(int code, float weight, int k, const float (*x)[PX], float* limit) {
    const float* first = k == 0 ? x[1] : x[0];
    const float* second = k == 2 ? x[1] : x[2];
    switch (code & PASS_LIMIT) {
        case LIMIT_LARGER: EACH_PIXEL limit[p] = fmaxf(first[p], second[p]); break;
        case LIMIT_SMALLER: EACH_PIXEL limit[p] = fminf(first[p], second[p]); break;
        default: EACH_PIXEL limit[p] = second[p] + (first[p] - second[p]) * weight;
    }
    EACH_PIXEL limit[p] = fmaxf(limit[p], 0.0f);
}

// One of the tables over hue. Each entry serves one degree: the value of the straight line there at
// turn 0, and its rise over a whole turn.
DEVICE float sample_hue(const float2* table, float turn) {
    const float2 line = table[whole_degrees(turn)];
    return line.x + line.y * turn;
}

DEVICE float no_crossing(float before, float after) {
    return before >= 0.0f ? fmaxf(after, 0.0f) : after;
}

// Takes s = max(0, x_k - limit) * amount * clamp(curve(hue), 0, 1) from the primary, and fills.
DEVICE void remove_spill(const PassParams& q, int code, int k, const float* w,
                         const float2* table, const float (*clean)[PX], const float (*fill)[PX],
                         float (*x)[PX]) {
    float s[PX], limit[PX];
    limits(code, q.weight, k, x, limit);
    int any = 0;
    EACH_PIXEL {
        s[p] = fmaxf(pick(k, x[0][p], x[1][p], x[2][p]) - limit[p], 0.0f) * q.amount;
        any |= bits_of(s[p]);
    }
    if ((code & PASS_SPILL_CURVE) && any)
        EACH_PIXEL s[p] *= clamp01(sample_hue(table, hue_turn(x[0][p], x[1][p], x[2][p])));
    const int filling = code & PASS_FILL;
    const float grey = filling == FILL_GREY ? q.fill_amount * pick(k, w[0], w[1], w[2]) : 0.0f;
    EACH_CHANNEL {
        EACH_PIXEL x[c][p] += c == k ? s[p] * (grey - 1.0f) : s[p] * grey;
    }
    if (filling != FILL_BACKGROUND) return;
    limits(code, q.weight, k, clean, limit);
    EACH_PIXEL {
        const float excess = pick(k, clean[0][p], clean[1][p], clean[2][p]) - limit[p];
        const float share = fminf(divided(s[p], fmaxf(excess, 1e-6f)), 1.0f) * q.fill_amount;
        EACH_CHANNEL x[c][p] = no_crossing(x[c][p], x[c][p] + share * fill[c][p]);
    }
}

// Y + f (x - Y) with f limited so that no channel that was >= 0 becomes negative.
DEVICE void saturate_limited(float* x, float y, float f) {
    const float smallest = min3(x[0] >= 0.0f ? x[0] : INFINITY, x[1] >= 0.0f ? x[1] : INFINITY,
                                x[2] >= 0.0f ? x[2] : INFINITY);
    if (y >= 0.0f && smallest < y) f = fminf(f, divided(y, y - smallest));
    if (y < 0.0f && smallest < INFINITY) f = fmaxf(f, divided(-y, smallest - y));
    EACH_CHANNEL x[c] = no_crossing(x[c], y + f * (x[c] - y));
}

// Saturation about luminance by the hue of x. The limit is only worked out where a channel of the
// plain result is below 0: where one has its sign bit set.
DEVICE void saturate_by_hue(const float* w, const float2* table, float (*x)[PX]) {
    float y[PX], f[PX], after[3][PX];
    int signs = 0;
    EACH_PIXEL {
        f[p] = sample_hue(table, hue_turn(x[0][p], x[1][p], x[2][p]));
        y[p] = luminance(x[0][p], x[1][p], x[2][p], w);
        const float rest = y[p] - f[p] * y[p];
        EACH_CHANNEL after[c][p] = rest + f[p] * x[c][p];
        signs |= bits_of(after[0][p]) | bits_of(after[1][p]) | bits_of(after[2][p]);
    }
    if (signs < 0) {
        EACH_PIXEL {
            float v[3] = {x[0][p], x[1][p], x[2][p]};
            saturate_limited(v, y[p], f[p]);
#ifdef VERDIGRIS_WIDE  // what a pixel becomes does not hang on its neighbours in the group
            const bool kept = (bits_of(after[0][p]) | bits_of(after[1][p]) | bits_of(after[2][p])) >= 0;
            EACH_CHANNEL v[c] = kept ? after[c][p] : v[c];
#endif
            EACH_CHANNEL x[c][p] = v[c];
        }
    } else {
        EACH_CHANNEL EACH_PIXEL x[c][p] = after[c][p];
    }
}

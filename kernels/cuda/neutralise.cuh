// Spill removal, fill and saturation by hue, per pixel; the same formulas as
// kernels/reference/neutralise.py. Works on the colour side only.
#pragma once
#include "colour.cuh"
#include "params.cuh"

DEVICE float pick(int c, float r, float g, float b) { return c == 0 ? r : (c == 1 ? g : b); }

// max(limit(x_i, x_j), 0): what the primary may not exceed.
DEVICE float limit_of(int code, float weight, float xi, float xj) {
    float limit;
    switch (code & PASS_LIMIT) {
        case LIMIT_LARGER: limit = fmaxf(xi, xj); break;
        case LIMIT_SMALLER: limit = fminf(xi, xj); break;
        default: limit = xj + (xi - xj) * weight; break;
    }
    return fmaxf(limit, 0.0f);
}

// One of the tables over hue: pairs of the value at a whole degree and the step to the next one.
DEVICE float sample_hue(const float2* table, float hue) {
    int index;
    const float left = whole_part(hue, &index);
    const float2 entry = table[index];
    return entry.x + entry.y * (hue - left);
}

// Hue of linear values, 0 where the channels differ by no more than 1e-9.
DEVICE float pixel_hue(float r, float g, float b) {
    const float largest = max3(r, g, b), spread = largest - min3(r, g, b);
    return hue_degrees(r, g, b, largest, spread, 1e-9f);
}

DEVICE float no_crossing(float before, float after) {
    return before >= 0.0f ? fmaxf(after, 0.0f) : after;
}

// Y + f (x - Y), f limited so that no channel that was >= 0 becomes negative. The limit is only
// worked out where a channel of the result is below 0.
DEVICE void saturate_about_luminance(float* x, float f, const float* w) {
    const float y = luminance(x[0], x[1], x[2], w);
    float after[3];
#pragma unroll
    for (int c = 0; c < 3; ++c) after[c] = y + f * (x[c] - y);
    if (min3(after[0], after[1], after[2]) < 0.0f) {
        const float smallest =
            min3(x[0] >= 0.0f ? x[0] : INFINITY, x[1] >= 0.0f ? x[1] : INFINITY,
                 x[2] >= 0.0f ? x[2] : INFINITY);
        if (y >= 0.0f && smallest < y) f = fminf(f, divided(y, y - smallest));
        if (y < 0.0f && smallest < INFINITY) f = fmaxf(f, divided(-y, smallest - y));
#pragma unroll
        for (int c = 0; c < 3; ++c) after[c] = no_crossing(x[c], y + f * (x[c] - y));
    }
#pragma unroll
    for (int c = 0; c < 3; ++c) x[c] = after[c];
}

// One pass on one pixel, in place. clean: the backing there (for a backdrop fill). fill: the blurred
// backdrop there. mask: where the pass works, 1 everywhere without one.
DEVICE void neutralise_pass(const PassParams& q, int code, int k, const float* w,
                            const float2* tables, float* x, const float* clean,
                            const float* fill, float mask) {
    const float before[3] = {x[0], x[1], x[2]};
    const float xk = pick(k, x[0], x[1], x[2]);
    const float xi = k == 0 ? x[1] : x[0], xj = k == 2 ? x[1] : x[2];
    float s = fmaxf(xk - limit_of(code, q.weight, xi, xj), 0.0f);
    if (code & PASS_SPILL_CURVE) {
        if (s > 0.0f)
            s *= fminf(sample_hue(tables, pixel_hue(x[0], x[1], x[2])), 1.0f) * q.amount;
    } else {
        s *= q.amount;
    }
#pragma unroll
    for (int c = 0; c < 3; ++c)
        if (c == k) x[c] -= s;
    const int filling = code & PASS_FILL;
    if (filling == FILL_GREY) {
        const float grey = (s * q.fill_amount) * pick(k, w[0], w[1], w[2]);
#pragma unroll
        for (int c = 0; c < 3; ++c) x[c] += grey;
    } else if (filling == FILL_BACKDROP) {
        const float ci = k == 0 ? clean[1] : clean[0], cj = k == 2 ? clean[1] : clean[2];
        const float excess =
            fmaxf(pick(k, clean[0], clean[1], clean[2]) - limit_of(code, q.weight, ci, cj), 1e-6f);
        const float share = fminf(divided(s, excess), 1.0f) * q.fill_amount;
#pragma unroll
        for (int c = 0; c < 3; ++c) x[c] = no_crossing(x[c], x[c] + share * fill[c]);
    }
    if (code & PASS_SATURATION_CURVE)
        saturate_about_luminance(x, sample_hue(tables + HUES, pixel_hue(x[0], x[1], x[2])), w);
    if (code & (PASS_SHAPES | PASS_MASK)) {
#pragma unroll
        for (int c = 0; c < 3; ++c) x[c] = before[c] + (x[c] - before[c]) * mask;
    }
}

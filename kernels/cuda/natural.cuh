// How opaque a pixel is if its subject has an everyday colour: kernels/reference/unmix/natural.py.
#pragma once
#include "compat.cuh"

#define DARKEST 0.004f
#define HALVINGS 8

// The primary's channel and the other two, in order.
struct Channels {
    int k, i, j;
};

// The values of a pixel in that order.
struct Ordered {
    float k, i, j;
};

// Whether a colour leans further to the screen's than everyday ones do. The reference compares
// logarithms; powers of ratios say the same: g^2 > r b; b^5 r^3 > g^8; r^5 b^3 > g^8. Greys do not lean.
DEVICE bool over_line(int primary, float k, float i, float j) {
    k = fmaxf(k, DARKEST), i = fmaxf(i, DARKEST), j = fmaxf(j, DARKEST);
    const float green = primary == 0 ? i : (primary == 1 ? k : j), inverse = 1.0f / green;
    const float x = (primary == 1 ? j : k) * inverse, y = (primary == 0 ? j : i) * inverse;
    const float both = x * y;
    return primary == 1 ? both < 0.999999f : both * both * both * (x * x) > 1.000003f;
}

DEVICE float natural_alpha(int primary, const Ordered& p, const Ordered& c) {
    const float rk = p.k - c.k, ri = p.i - c.i, rj = p.j - c.j;
    const float lost = 1.0f - p.k / fmaxf(c.k, 1e-4f);
    float high = 1.0f, low = fminf(fmaxf(lost, 0.02f), 1.0f);
    const bool beyond = over_line(primary, fmaxf(p.k, 0.0f), fmaxf(p.i, 0.0f), fmaxf(p.j, 0.0f));
#pragma unroll
    for (int n = 0; n < HALVINGS; ++n) {
        const float middle = (low + high) / 2.0f, inverse = 1.0f / middle;
        const bool leans =
            over_line(primary, c.k + rk * inverse, c.i + ri * inverse, c.j + rj * inverse);
        high = leans ? middle : high;
        low = leans ? low : middle;
    }
    return beyond ? (low + high) / 2.0f : 1.0f;
}

// Alpha of the likeliest everyday F: the grey one, or where that is no grey, the one on the line.
DEVICE float likely_alpha(int primary, const Ordered& p, const Ordered& c) {
    const float seen = p.k - (p.i + p.j) / 2.0f, screen = c.k - (c.i + c.j) / 2.0f;
    const float grey = 1.0f - seen / fmaxf(screen, 1e-4f);
    const float inverse = 1.0f / fminf(fmaxf(grey, 0.02f), 2.0f);
    const float a = fmaxf(c.i + (p.i - c.i) * inverse, 0.0f);
    const float b = fmaxf(c.j + (p.j - c.j) * inverse, 0.0f);
    const float coloured = clamp01((fabsf(a - b) / ((a + b) / 2.0f + 0.02f) - 0.3f) / 0.3f);
    return grey + coloured * (natural_alpha(primary, p, c) - grey);
}

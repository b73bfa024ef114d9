// From scene-linear light to 8-bit code values; the same formulas as kernels/reference/display.py.
// Runs once for each pixel of the picture on the wire.
#pragma once
#include "colour.cuh"
#include "params.cuh"

// Exposure and an ASC CDL without its clamps, in place. powers: whether any is not 1.
// Source: ASC CDL, version 1.2.
DEVICE void look(const Params& P, bool powers, float* x) {
#pragma unroll
    for (int c = 0; c < 3; ++c) {
        x[c] = (x[c] * P.look_exposure) * P.look_slope[c] + P.look_offset[c];
        if (powers && P.look_power[c] != 1.0f && x[c] > 0.0f) x[c] = powf(x[c], P.look_power[c]);
    }
    if (P.look_saturation != 1.0f) {
        const float luma = 0.2126f * x[0] + 0.7152f * x[1] + 0.0722f * x[2];
#pragma unroll
        for (int c = 0; c < 3; ++c) x[c] = luma + P.look_saturation * (x[c] - luma);
    }
}

DEVICE void pick_channel(const Params& P, float* x) {
    float grey;
    switch (P.view_channel) {
        case CHANNEL_COLOUR: return;
        case CHANNEL_LUMINANCE: grey = luminance(x[0], x[1], x[2], P.weights); break;
        default: grey = P.view_channel == 1 ? x[0] : (P.view_channel == 2 ? x[1] : x[2]);
    }
    x[0] = x[1] = x[2] = grey;
}

// Source: IEC 61966-2-1.
DEVICE float srgb_encode(float x) {
    x = clamp01(x);
    return x <= 0.0031308f ? 12.92f * x
                           : 1.055f * powf(fmaxf(x, 0.0031308f), 1.0f / 2.4f) - 0.055f;
}

DEVICE void srgb_display(float* x) {
    const float r = 1.70505099f * x[0] - 0.62179212f * x[1] - 0.08325887f * x[2];
    const float g = -0.13025642f * x[0] + 1.14080474f * x[1] - 0.01054832f * x[2];
    const float b = -0.02400336f * x[0] - 0.12896898f * x[1] + 1.15297233f * x[2];
    x[0] = srgb_encode(r);
    x[1] = srgb_encode(g);
    x[2] = srgb_encode(b);
}

// Value of a table of `size` entries, `stride` floats apart, at t in 0..1.
DEVICE float lerp_table(const float* table, int size, int stride, float t) {
    const float position = t * (float)(size - 1);
    const int index = min((int)position, size - 2);
    const float low = table[index * stride], high = table[(index + 1) * stride];
    return low + (high - low) * (position - (float)index);
}

// A baked transform: a shaper a channel in log2, then a cube, trilinear along red, green, blue.
DEVICE void apply_display(const Params& P, float* x) {
    const float* shaper = reinterpret_cast<const float*>(P.shaper);
    const float* cube = reinterpret_cast<const float*>(P.cube);
    const int n = P.cube_size;
    int index[3];
    float f[3];
#pragma unroll
    for (int c = 0; c < 3; ++c) {
        const float stops = log2f(fmaxf(x[c] - P.shaper_toe, P.shaper_floor));
        const float t = clamp01((stops - P.shaper_low) / P.shaper_span);
        const float position = clamp01(lerp_table(shaper, P.shaper_size, 1, t)) * (float)(n - 1);
        index[c] = min((int)position, n - 2);
        f[c] = position - (float)index[c];
    }
    const long long base = (((long long)index[0] * n + index[1]) * n + index[2]) * 3;
    const int red = n * n * 3, green = n * 3, blue = 3;
#pragma unroll
    for (int c = 0; c < 3; ++c) {
        const float* at = cube + base + c;
        const float c00 = mix(at[0], at[red], f[0]);
        const float c10 = mix(at[green], at[red + green], f[0]);
        const float c01 = mix(at[blue], at[red + blue], f[0]);
        const float c11 = mix(at[green + blue], at[red + green + blue], f[0]);
        x[c] = mix(mix(c00, c10, f[1]), mix(c01, c11, f[1]), f[2]);
    }
}

// floor(clamp(x) * 255 + 0.5); not-a-number gives 0.
DEVICE unsigned char code_value(float x) {
    const float held = x > 0.0f ? fminf(x, 1.0f) : 0.0f;
    return (unsigned char)floorf(held * 255.0f + 0.5f);
}

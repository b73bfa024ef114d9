// Extractors and combines, per pixel; the same formulas as kernels/reference/extract.py.
// Each kind's values v[] are filled in by kernels/cuda/packing.py in the order used here.
#pragma once
#include "colour.cuh"
#include "despill.cuh"
#include "params.cuh"

// clamp((x - low) / width) with the inverse of the width given. A step just above `low` has an
// inverse so large that nothing lies between 0 and 1.
DEVICE float ramp(float x, float low, float inverse) { return clamp01((x - low) * inverse); }

// The same with both ends, for thresholds that follow the pixel.
DEVICE float ramp_between(float x, float low, float high) {
    const float width = high - low;
    return width <= 0.0f ? (x > low ? 1.0f : 0.0f) : clamp01(divided(x - low, width));
}

DEVICE void in_space(bool log, const float* x, float* y) {
#pragma unroll
    for (int c = 0; c < 3; ++c) y[c] = log ? acescct_from_linear(x[c]) : x[c];
}

// Whether a matte is straight between its ends, over what its extractor looks at. Then its kind's
// function below gives that, not the matte.
DEVICE bool is_straight(int code) {
    const int kind = code & KIND;
    if (kind == KIND_VALUE_BAND) return !(code & OPEN_LOW) != !(code & OPEN_HIGH);
    return kind == KIND_COLOUR_DIFFERENCE
           || (kind == KIND_PLATE_DIFFERENCE && !(code & FLOOR_IN_SIGMA));
}

// clamp(slope (x - pivot) + rest, 0, 1).
DEVICE float along(const float* line, float x) {
    return clamp01((x - line[0]) * line[1] + line[2]);
}

// v: low, its inverse width, high, its inverse width.
DEVICE float value_band(const float* v, int code, float value) {
    if (is_straight(code)) return value;
    if (code & OPEN_LOW) return 1.0f;
    return fminf(ramp(value, v[0], v[1]), 1.0f - ramp(value, v[2], v[3]));
}

// v: hue, spread, inverse fade, saturation floor, inverse roll-off.
DEVICE float hue_band(const float* v, const float* x) {
    float away = fabsf(hue_turn(x[0], x[1], x[2]) * 360.0f - v[0]);
    away = fminf(away, fabsf(360.0f - away));
    return (1.0f - ramp(away, v[1], v[2])) * ramp(saturation_of(x[0], x[1], x[2]), v[3], v[4]);
}

// Norm of the difference of two colours in the extractor's space.
DEVICE float distance_of(int code, const float* x, const float* c) {
    float d[3];
#pragma unroll
    for (int n = 0; n < 3; ++n) {
        d[n] = x[n] - c[n];
        if (code & RELATIVE) d[n] = divided(d[n], fmaxf(fabsf(c[n]), 1e-6f));
    }
    if (MODE(code) == 0) return max3(fabsf(d[0]), fabsf(d[1]), fabsf(d[2]));
    return root(d[0] * d[0] + d[1] * d[1] + d[2] * d[2]);
}

DEVICE float screen_sigma(const Params& P, int c, float level) {
    return root(fmaxf(P.noise_gain[c] * fmaxf(level, 0.0f) + P.noise_offset[c], 0.0f));
}

// v: low, its inverse width (fixed thresholds); floor, full (multiples of a varying screen's noise).
DEVICE float plate_difference(const Params& P, const float* v, int code, bool varies,
                              const float* linear, const float* x, const float* clean,
                              const float* c) {
    float d, unit = 1.0f;
    const bool by_noise = (code & FLOOR_IN_SIGMA) && varies;
    float noisy[3] = {0.0f, 0.0f, 0.0f};
    if (by_noise) {
#pragma unroll
        for (int n = 0; n < 3; ++n) noisy[n] = clean[n] + screen_sigma(P, n, clean[n]);
    }
    if (WITH_DELTA_E && MODE(code) == NORM_DELTA_E) {
        float here[3], there[3];
        lab_from_acescg(linear[0], linear[1], linear[2], here);
        if (varies) lab_from_acescg(clean[0], clean[1], clean[2], there);
        else there[0] = P.screen_lab[0], there[1] = P.screen_lab[1], there[2] = P.screen_lab[2];
        d = delta_e_2000(here, there);
        if (by_noise) {
            lab_from_acescg(noisy[0], noisy[1], noisy[2], here);
            unit = delta_e_2000(here, there);
        }
    } else {
        d = distance_of(code, x, c);
        if (by_noise) {
            in_space(code & SPACE_LOG, noisy, noisy);
            unit = distance_of(code, noisy, c);
        }
    }
    if (by_noise) return ramp_between(d, v[2] * unit, v[3] * unit);
    return is_straight(code) ? d : ramp(d, v[0], v[1]);
}

// How far the primary exceeds the other two: a lean between them (mode 0), or a mix (mode 1).
DEVICE float excess_of(const float* v, int code, int k, const float* x) {
    const float xk = pick(k, x[0], x[1], x[2]);
    const float xi = k == 0 ? x[1] : x[0], xj = k == 2 ? x[1] : x[2];
    if (MODE(code) == 1) return xk - (v[0] * xi + v[1] * xj);
    // Not from their sum and distance: beside a value of -65504 in log nothing would be left.
    return xk - ((1.0f - v[0]) * fminf(xi, xj) + v[0] * fmaxf(xi, xj));
}

// Variance of the screen's excess.
DEVICE float excess_variance(const Params& P, const float* v, int code, int k, const float* clean,
                             const float* c) {
    float variance[3];
#pragma unroll
    for (int n = 0; n < 3; ++n)
        variance[n] = fmaxf(P.noise_gain[n] * fmaxf(clean[n], 0.0f) + P.noise_offset[n], 0.0f);
    if (code & SPACE_LOG) {
#pragma unroll
        for (int n = 0; n < 3; ++n) {
            const float moved = acescct_from_linear(clean[n] + root(variance[n])) - c[n];
            variance[n] = moved * moved;
        }
    }
    float wi = v[0], wj = v[1];
    if (MODE(code) != 1) {
        const float ci = k == 0 ? clean[1] : clean[0], cj = k == 2 ? clean[1] : clean[2];
        wi = ci >= cj ? v[0] : 1.0f - v[0];
        wj = 1.0f - wi;
    }
    const float var_i = k == 0 ? variance[1] : variance[0], var_j = k == 2 ? variance[1] : variance[2];
    return pick(k, variance[0], variance[1], variance[2]) + wi * wi * var_i + wj * wj * var_j;
}

// The excess in parts of the screen's; 0 where there is no screen. screen: its excess, given so
// that it is worked out once for all pixels. v: lean or first weight, second weight, 1 / e(c) of a
// flat screen or 0.
DEVICE float colour_difference(const float* v, int code, int k, bool varies, const float* x,
                               float screen) {
    const float e = excess_of(v, code, k, x);
    if (!varies) return e * v[2];
    return screen <= 1e-6f ? 0.0f : divided(e, screen);
}

// v: inner, its inverse width, luminance weight.
DEVICE float chroma_distance(const float* v, int k, const float* x, const float* c) {
    const float d[3] = {x[0] - c[0], x[1] - c[1], x[2] - c[2]};
    const float dk = pick(k, d[0], d[1], d[2]);
    const float di = k == 0 ? d[1] : d[0], dj = k == 2 ? d[1] : d[2];
    const float a = dk - (di + dj) * 0.5f;
    const float b = (di - dj) * 0.8660254037844386f;
    const float mean = (d[0] + d[1] + d[2]) * (1.0f / 3.0f);
    const float t = ramp(root(a * a + b * b) + v[2] * fabsf(mean), v[0], v[1]);
    return t * t * (3.0f - 2.0f * t);
}


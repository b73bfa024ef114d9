// Extractors and joins, per pixel; the same formulas as kernels/reference/extract.py.
// Each kind's values v[] are filled in by kernels/cuda/packing.py in the order used here.
#pragma once
#include "colour.cuh"
#include "neutralise.cuh"
#include "params.cuh"

// (1 - t) a + t b: exactly a at 0 and b at 1.
DEVICE float blend(float a, float b, float t) { return (1.0f - t) * a + t * b; }

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

// v: low, its inverse width, high, its inverse width.
DEVICE float value_band(const float* v, int code, float value) {
    float alpha = 1.0f;
    if (!(code & OPEN_LOW)) alpha = ramp(value, v[0], v[1]);
    if (!(code & OPEN_HIGH)) alpha = fminf(alpha, 1.0f - ramp(value, v[2], v[3]));
    return alpha;
}

// v: turned centre, half width, inverse softness, saturation floor, inverse roll-off.
DEVICE float hue_band(const float* v, const float* x) {
    float away = fabsf(turned_hue(x[0], x[1], x[2]) - v[0]);
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

DEVICE float backing_sigma(const Params& P, int c, float level) {
    return root(fmaxf(P.noise_gain[c] * fmaxf(level, 0.0f) + P.noise_offset[c], 0.0f));
}

// v: low, its inverse width (fixed thresholds); floor, full (multiples of a varying backing's noise).
DEVICE float plate_difference(const Params& P, const float* v, int code, bool varies,
                              const float* linear, const float* x, const float* clean,
                              const float* c) {
    float d, unit = 1.0f;
    const bool by_noise = (code & FLOOR_IN_SIGMA) && varies;
    float noisy[3];
    if (by_noise) {
#pragma unroll
        for (int n = 0; n < 3; ++n) noisy[n] = clean[n] + backing_sigma(P, n, clean[n]);
    }
    if (WITH_DELTA_E && MODE(code) == NORM_DELTA_E) {
        float here[3], there[3];
        lab_from_acescg(linear[0], linear[1], linear[2], here);
        if (varies) lab_from_acescg(clean[0], clean[1], clean[2], there);
        else there[0] = P.backing_lab[0], there[1] = P.backing_lab[1], there[2] = P.backing_lab[2];
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
    return ramp(d, v[0], v[1]);
}

// How far the primary exceeds the other two: a lean between them (mode 0), or weights (mode 1).
DEVICE float excess_of(const float* v, int code, int k, const float* x) {
    const float xk = pick(k, x[0], x[1], x[2]);
    const float xi = k == 0 ? x[1] : x[0], xj = k == 2 ? x[1] : x[2];
    if (MODE(code) == 1) return xk - (v[0] * xi + v[1] * xj);
    // The lean between smaller and larger, from their sum and their distance.
    return xk - 0.5f * (xi + xj) - (v[0] - 0.5f) * fabsf(xi - xj);
}

// Standard deviation of the backing's excess.
DEVICE float excess_sigma(const Params& P, const float* v, int code, int k, const float* clean,
                          const float* c) {
    float sigma[3], moved[3];
#pragma unroll
    for (int n = 0; n < 3; ++n) sigma[n] = backing_sigma(P, n, clean[n]);
    if (code & SPACE_LOG) {
#pragma unroll
        for (int n = 0; n < 3; ++n) {
            moved[n] = acescct_from_linear(clean[n] + sigma[n]);
            sigma[n] = moved[n] - c[n];
        }
    }
    const float sk = pick(k, sigma[0], sigma[1], sigma[2]);
    float si = k == 0 ? sigma[1] : sigma[0], sj = k == 2 ? sigma[1] : sigma[2];
    float wi = v[0], wj = v[1];
    if (MODE(code) != 1) {
        const float ci = k == 0 ? clean[1] : clean[0], cj = k == 2 ? clean[1] : clean[2];
        wi = ci >= cj ? v[0] : 1.0f - v[0];
        wj = 1.0f - wi;
    }
    si *= wi;
    sj *= wj;
    return root(sk * sk + si * si + sj * sj);
}

// v: lean or first weight, second weight, gain / e(c) and "no screen" of a flat backing, gain.
DEVICE float colour_difference(const Params& P, const float* v, int code, int k, bool varies,
                               const float* x, const float* clean, const float* c) {
    const float e = excess_of(v, code, k, x);
    if (!varies) return v[3] != 0.0f ? 1.0f : clamp01(1.0f - v[2] * e);
    const float e_c = excess_of(v, code, k, c);
    bool missing = e_c <= 1e-6f;
    if (P.noise_measured != 0.0f)
        missing = missing || e_c < 4.0f * excess_sigma(P, v, code, k, clean, c);
    return missing ? 1.0f : clamp01(1.0f - v[4] * divided(e, e_c));
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


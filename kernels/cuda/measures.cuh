// The measures that views show, per pixel; the same formulas as kernels/reference/view.py.
#pragma once
#include "evaluate.cuh"

// Planes: w log2(p_k / level), w, luminance.
DEVICE void evenness(const Params& P, int flags, const Pixels& px, float (*out)[PX]) {
    const int k = PRIMARY(flags);
    const bool usable = P.level > 0.0f && P.level_share > 0.0f;
    const float level = fmaxf(P.level, 1e-6f);
    EACH_PIXEL {
        const float r = px.denoised(0, p), g = px.denoised(1, p), b = px.denoised(2, p);
        const float primary = pick(k, r, g, b);
        const float other = k == 0 ? fmaxf(g, b) : (k == 1 ? fmaxf(r, b) : fmaxf(r, g));
        const bool screen = usable && primary - other >= 0.5f * P.level_share * primary
                             && primary >= level / 16.0f;
        out[0][p] = screen ? log2f(primary / level) : 0.0f;
        out[1][p] = screen ? 1.0f : 0.0f;
        out[2][p] = luminance(r, g, b, P.weights);
    }
}

// Planes: w sigma_alpha, w, luminance. The Cramer-Rao bound for known F (the despilled pixel).
DEVICE void alpha_noise(const Params& P, const Pixels& px, const float (*n)[PX], float (*out)[PX]) {
    const float w = P.noise_measured;
    const float* m = P.noise_inverse;  // rr gg bb rg rb gb
    EACH_PIXEL {
        float u[3];
        EACH_CHANNEL {
            const float sigma = root(
                fmaxf(P.noise_gain[c] * fmaxf(px.plate[c][p], 0.0f) + P.noise_offset[c], 0.0f));
            u[c] = divided(n[c][p] - px.clean[c][p], fmaxf(sigma, 1e-6f));
        }
        const float diagonal = m[0] * u[0] * u[0] + m[1] * u[1] * u[1] + m[2] * u[2] * u[2];
        const float cross = m[3] * u[0] * u[1] + m[4] * u[0] * u[2] + m[5] * u[1] * u[2];
        out[0][p] = divided(w, root(fmaxf(diagonal + 2.0f * cross, 1.0f)));
        out[1][p] = w;
        out[2][p] = luminance(px.plate[0][p], px.plate[1][p], px.plate[2][p], P.weights);
    }
}

// Planes: w error, w, luminance. The error is a plane of the first unmix extractor.
DEVICE void alpha_error(const Params& P, const Pixels& px, float (*out)[PX]) {
    EACH_PIXEL out[0][p] = 0.0f;
    if (P.alpha_error) load_px(plane_at(P.alpha_error), false, px.at, out[0]);
    EACH_PIXEL {
        out[1][p] = P.alpha_error ? 1.0f : 0.0f;
        out[2][p] = luminance(px.plate[0][p], px.plate[1][p], px.plate[2][p], P.weights);
    }
}

// Linear light of the seven palette colours. Source: Okabe & Ito 2008, through IEC 61966-2-1.
DEVICE float palette(int index, int c) {
    constexpr float colours[7][3] = {
        {0.791298032f, 0.346704096f, 0.0f},         {0.093058981f, 0.456411093f, 0.814846694f},
        {0.0f, 0.341914445f, 0.171441093f},         {0.871367216f, 0.775822341f, 0.0544802845f},
        {0.0f, 0.168269411f, 0.445201248f},         {0.665387392f, 0.111932434f, 0.0f},
        {0.603827417f, 0.191201672f, 0.386429518f},
    };
    return colours[index % 7][c];
}

// The deciding extractor's colour times 0.15 + 0.85 alpha; dark grey where none decides.
DEVICE void deciding(const float* alpha, const int* decides, float (*out)[PX]) {
    EACH_PIXEL EACH_CHANNEL out[c][p] =
        decides[p] < 0 ? 0.02f : palette(decides[p], c) * (0.15f + 0.85f * alpha[p]);
}

// Gain and gamma that expose noise in a matte: 1 screen, 2 core.
DEVICE float stress(const Params& P, float matte) {
    if (P.stress_preset == 0) return matte;
    float x = P.stress_preset == 1 ? matte : 1.0f - matte;
    x = clamp01(x * P.stress_gain);
    if (P.stress_power != 1.0f) x = powf(x, P.stress_power);
    return P.stress_preset == 1 ? x : 1.0f - x;
}

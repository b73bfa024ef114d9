// Edge colour, over, screen_light, light wrap and grain, per pixel; the same formulas as
// kernels/reference/assemble.py and background.py.
#pragma once
#include "colour.cuh"
#include "params.cuh"

// Premultiplied foreground of one channel. multiply: Porter & Duff 1984. subtract: the compositing
// equation with the screen's share taken out, settling over the first matte values. unmix:
// Tikhonov-regularised least squares about a local estimate f0.
DEVICE void edge_colour(const Params& P, int method, const float* alpha, const float* plate,
                        const float* clean, const float* f0, float* cut) {
    if (method == EDGE_MULTIPLY) {
        EACH_PIXEL cut[p] = alpha[p] * plate[p];
    } else if (method == EDGE_SUBTRACT) {
        EACH_PIXEL {
            const float w = clamp01(alpha[p] * P.settle_scale);
            const float unsettled = alpha[p] - w * alpha[p];
            const float taken = plate[p] - (1.0f - alpha[p]) * clean[p];
            cut[p] = w * fmaxf(taken, fminf(plate[p], 0.0f)) + unsettled * plate[p];
        }
    } else {
        EACH_PIXEL {
            const float a = alpha[p], gain = divided(a, fmaxf(a * a + P.hold, 1e-6f));
            const float rest = plate[p] - a * f0[p] - (1.0f - a) * clean[p];
            cut[p] = fmaxf(a * (f0[p] + gain * rest), fminf(plate[p], 0.0f));
        }
    }
}

// How far a pixel is a sample of the foreground's own colour.
DEVICE float local_foreground_weight(float alpha) { return alpha * alpha; }

DEVICE float local_foreground_finish(float weighted, float weight, float n_plate) {
    return divided(weighted + 1e-3f * n_plate, weight + 1e-3f);
}

DEVICE float straight_of(float foreground, float alpha, float n_plate) {
    const float share = clamp01((alpha - 1e-4f) * (1.0f / 9e-4f));
    return share > 0.0f ? blend(n_plate, divided(foreground, fmaxf(alpha, 1e-4f)), share) : n_plate;
}

// A bijection of 32-bit integers. Source: Appleby, MurmurHash3, the 32-bit finaliser.
DEVICE u32 hash_mix(u32 h) {
    h = (h ^ (h >> 16)) * 0x85EBCA6Bu;
    h = (h ^ (h >> 13)) * 0xC2B2AE35u;
    return h ^ (h >> 16);
}

DEVICE int byte_sum(u32 h) {
    return (int)((h & 255u) + ((h >> 8) & 255u) + ((h >> 16) & 255u) + (h >> 24));
}

// Near-Gaussian noise of variance 1 from the place in the frame, the channel and the frame.
DEVICE float grain(u32 x, u32 y, u32 channel, u32 frame) {
    const u32 h = hash_mix(hash_mix(hash_mix(hash_mix(x) + y) + channel) + frame);
    const u32 g = hash_mix(h + 0x9E3779B9u);
    return (float)(byte_sum(h) + byte_sum(g) - 1020) * 0.004784196154532612f;
}

// x + amount sigma(x) (L z) of three channels, in place.
DEVICE void regrain(const Params& P, float* back, int x, int y) {
    float z[3];
#pragma unroll
    for (u32 c = 0; c < 3; ++c) z[c] = grain((u32)x, (u32)y, c, (u32)P.frame);
    const float mixed[3] = {P.grain_root[0] * z[0], P.grain_root[1] * z[0] + P.grain_root[2] * z[1],
                            P.grain_root[3] * z[0] + P.grain_root[4] * z[1] + P.grain_root[5] * z[2]};
#pragma unroll
    for (int c = 0; c < 3; ++c) {
        const float sigma =
            root(fmaxf(P.noise_gain[c] * fmaxf(back[c], 0.0f) + P.noise_offset[c], 0.0f));
        back[c] += (sigma * P.grain_amount) * mixed[c];
    }
}

// Colour arithmetic of the working space; the same formulas as kernels/reference/colour.py.
#pragma once
#include "compat.cuh"

// ACEScct. Source: S-2016-001, section 4.4.1.
DEVICE float acescct_from_linear(float x) {
    const float log_part = fast_log2(fmaxf(x, 0.0078125f)) * (1.0f / 17.52f) + 9.72f / 17.52f;
    const float toe = x * 10.5402377416545f + 0.0729055341958355f;
    return fminf(toe, log_part);  // the toe touches the curve from above
}

DEVICE float luminance(float r, float g, float b, const float* w) {
    return w[0] * r + w[1] * g + w[2] * b;
}

// Hue on the RGB hexagon as a part of the whole turn, 0 (red) to 1; greys 0. With the larger and the
// smaller of green and blue, L the largest and S the smallest of all three, the distance from cyan is
// 1 + ((r - smaller) + (L - larger)) / (L - S) sixths of a turn, towards green or towards blue.
// Saturating also takes not-a-number, of a grey or of the padding at a row's end, to 0.
// Source: Smith 1978.
DEVICE float hue_turn(float r, float g, float b) {
    const float larger = fmaxf(g, b), smaller = fminf(g, b);
    const float largest = fmaxf(r, larger), smallest = fminf(r, smaller);
    const float rise = (r - smaller) + (largest - larger);
    const float from_cyan = 1.0f + divided(rise, largest - smallest);
    return clamp01(with_sign(from_cyan, g - b) * (-1.0f / 6.0f) + 0.5f);
}

// (max - min) / max(max, 1e-6). Source: Smith 1978.
DEVICE float saturation_of(float r, float g, float b) {
    const float largest = max3(r, g, b);
    return divided(largest - min3(r, g, b), fmaxf(largest, 1e-6f));
}

DEVICE float lab_curve(float t) {
    return t > 0.008856451679f ? cbrtf(t) : t * 7.787037037f + 0.1379310345f;
}

// CIE L*a*b* of linear ACEScg relative to the ACES white. Sources: S-2014-004; CIE 15:2004.
APART void lab_from_acescg(float r, float g, float b, float* lab) {
    const float x = 0.6624541811f * r + 0.1340042065f * g + 0.1561876870f * b;
    const float y = 0.2722287168f * r + 0.6740817658f * g + 0.0536895174f * b;
    const float z = -0.0055746495f * r + 0.0040607335f * g + 1.0103391003f * b;
    const float fx = lab_curve(x * (1.0f / 0.9526460746f));
    const float fy = lab_curve(y);
    const float fz = lab_curve(z * (1.0f / 1.0088251843f));
    lab[0] = 116.0f * fy - 16.0f;
    lab[1] = 500.0f * (fx - fy);
    lab[2] = 200.0f * (fy - fz);
}

#define DEG 57.29577951308232f
#define TURN (1.0f / 180.0f)   // half turns in a degree, for sinpi and cospi

DEVICE float positive_degrees(float y, float x) {
    if (x == 0.0f && y == 0.0f) return 0.0f;
    const float h = atan2f(y, x) * DEG;
    return h < 0.0f ? h + 360.0f : h;
}

// sqrt(c^7 / (c^7 + 25^7)), without forming c^7, which float32 cannot hold for over-range light.
DEVICE float chroma_share(float c) {
    const float q = 25.0f / fmaxf(c, 1e-6f);
    return sqrtf(1.0f / (1.0f + q * q * q * q * q * q * q));
}

// CIEDE2000, k_L = k_C = k_H = 1, in float32. Source: Sharma, Wu & Dalal 2005, eq. 2 to 22.
APART float delta_e_2000(const float* p, const float* q) {
    const float c_mean = 0.5f * (sqrtf(p[1] * p[1] + p[2] * p[2]) + sqrtf(q[1] * q[1] + q[2] * q[2]));
    const float g = 0.5f * (1.0f - chroma_share(c_mean));
    const float a1 = (1.0f + g) * p[1], a2 = (1.0f + g) * q[1];
    const float c1 = sqrtf(a1 * a1 + p[2] * p[2]), c2 = sqrtf(a2 * a2 + q[2] * q[2]);
    const float h1 = positive_degrees(p[2], a1), h2 = positive_degrees(q[2], a2);
    const bool grey = c1 * c2 == 0.0f;
    float dh = h2 - h1;
    if (dh >= 180.0f) dh -= 360.0f;
    if (dh < -180.0f) dh += 360.0f;
    if (grey) dh = 0.0f;
    const float d_hue = 2.0f * sqrtf(c1 * c2) * sinpif(dh * (1.0f / 360.0f));
    const float total = h1 + h2;
    float h_mean = total;
    if (!grey) {
        if (fabsf(h1 - h2) > 180.0f) h_mean = total < 360.0f ? total + 360.0f : total - 360.0f;
        h_mean *= 0.5f;
    }
    const float l_mean = 0.5f * (p[0] + q[0]), c_mean2 = 0.5f * (c1 + c2);
    const float t = 1.0f - 0.17f * cospif((h_mean - 30.0f) * TURN) + 0.24f * cospif(2.0f * h_mean * TURN)
        + 0.32f * cospif((3.0f * h_mean + 6.0f) * TURN) - 0.20f * cospif((4.0f * h_mean - 63.0f) * TURN);
    const float turn = (h_mean - 275.0f) * (1.0f / 25.0f);
    const float d_theta = 30.0f * expf(-turn * turn);
    const float r_c = 2.0f * chroma_share(c_mean2);
    const float l50 = (l_mean - 50.0f) * (l_mean - 50.0f);
    const float s_l = 1.0f + 0.015f * l50 / sqrtf(20.0f + l50);
    const float s_c = 1.0f + 0.045f * c_mean2, s_h = 1.0f + 0.015f * c_mean2 * t;
    const float r_t = -sinpif(2.0f * d_theta * TURN) * r_c;
    const float x = (q[0] - p[0]) / s_l, y = (c2 - c1) / s_c, z = d_hue / s_h;
    return sqrtf(fmaxf(x * x + y * y + z * z + r_t * y * z, 0.0f));
}

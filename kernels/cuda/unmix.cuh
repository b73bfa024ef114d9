// Unmixing, pixel by pixel: the same formulas as kernels/reference/unmix/mixture.py, for one group of
// neighbouring pixels at a time. Candidates for F lie at reduced size and are sampled here.
#pragma once
#include "compat.cuh"

#define MOST_CANDIDATES 24
#define EDGE_NOISE 6.0f       // factor on the noise's variance at edges
#define BROAD 0.5f            // relative deviation of a colour of which nothing is known
#define NOTHING_KNOWN -3.0f   // log prior of that
#define LOG2_E 1.44269504f
#define LN_2 0.693147181f

#define SKIP_BARE -1.0f       // in the plane of places to leave out: nothing but the screen, round about
#define SKIP_SOLID 1.0f       // surely solid, round about

// Planes are float; candidates (count, 4, small_height, small_width): F's colour and its log prior.
struct MixtureArgs {
    u64 plate, clean, variance, share, snr, skip, candidates;
    u64 alpha, spread, colour, through;   // out: alpha, its variance, F, evidence for see-through
    long long stride, small_stride;
    int pitch, width, height;
    int small_pitch, small_width, small_height;
    int factor, top, left;                // of the reduced picture; the part's first pixel in the frame
    int count;
    float shading, clean_error;
    float tightness[24];
};

// The passes on the reduced whole frame, on the processor. Planes are float without padding: plate, clean
// (3, height, width) in; of ceil(size / factor): light (3), solid, inside, hue, and candidates (4 each).
struct RegionalArgs {
    u64 plate, clean, memory;
    u64 light, solid, inside, hue, candidates;
    long long floats;                     // of the memory: given, or told
    int width, height, factor, doublings;
    int k, i, j, given;                   // channels, the primary first; whether haze's colour is given
    float gain[3], offset[3], haze[3];    // of the noise, trust and averaging in them
    float clean_error, solidity;
};

// The passes on a part of the picture, on the processor. light to candidates: of the frame, as above.
struct LocalArgs {
    u64 plate, clean, memory;
    u64 light, inside, hue, candidates;
    u64 alpha, colour, despilled, sigma, sure, bare, mixed;
    long long floats;
    int width, height, factor, top, left;
    int small_width, small_height, count;
    int k, i, j, rows, columns;           // of luma for one sample of chroma
    float gain[3], offset[3];
    float clean_error, shading, despill;
    float tightness[24];
};

// What all candidates of a group of pixels come to: a softmax as it goes along.
struct Joined {
    float top[PX], weight[PX];                // largest score, sum of exp(score - top)
    float mean[PX], square[PX], inner[PX];    // of alpha less the first guess; its own variance
    float colour[3][PX];
    float solid_top[PX], solid_weight[PX];    // of the same pixels as shaded solids
};

struct PixelSignals {
    float plate[3][PX], clean[3][PX], noise[3][PX];   // noise: variance of the plate
    float share[PX], snr[PX];
};

DEVICE float natural_log(float x) { return LN_2 * fast_log2(x); }
DEVICE float clamped(float x, float low, float high) { return fminf(fmaxf(x, low), high); }

// e^x for x <= 0, 0 where it is nearly that.
#ifdef VERDIGRIS_WIDE
DEVICE float falling(float x) {
    const float held = fmaxf(x, -86.0f), n = nearest(held * LOG2_E);
    const float f = (held - n * 0.693359375f) + n * 2.12194440e-4f;
    float y = 0.00139411175f;
    y = y * f + 0.00836317981f;
    y = y * f + 0.0416663752f;
    y = y * f + 0.16666577f;
    y = y * f + 0.5f;
    return (1.0f + (f + y * f * f)) * power_of_two((int)n);
}
#else
DEVICE float falling(float x) { return expf(x); }
#endif

DEVICE void join_nothing(Joined& j) {
    EACH_PIXEL {
        j.top[p] = j.solid_top[p] = -1e30f;
        j.weight[p] = j.solid_weight[p] = j.mean[p] = j.square[p] = j.inner[p] = 0.0f;
        j.colour[0][p] = j.colour[1][p] = j.colour[2][p] = 0.0f;
    }
}

// Takes in one answer for one pixel. off: its alpha less the first guess.
DEVICE void join(Joined& j, int p, float score, float off, float inner, float r, float g, float b) {
    const float apart = score - j.top[p];
    const float less = falling(-fabsf(apart));
    const bool above = apart > 0.0f;
    const float keep = above ? less : 1.0f, w = above ? 1.0f : less, part = w * off;
    j.top[p] = above ? score : j.top[p];
    j.weight[p] = j.weight[p] * keep + w;
    j.mean[p] = j.mean[p] * keep + part;
    j.square[p] = j.square[p] * keep + part * off;
    j.inner[p] = j.inner[p] * keep + w * fminf(inner, 0.3f);
    j.colour[0][p] = j.colour[0][p] * keep + w * r;
    j.colour[1][p] = j.colour[1][p] * keep + w * g;
    j.colour[2][p] = j.colour[2][p] * keep + w * b;
}

// Solves one candidate and takes it in. f: its colour here, f[3]: its log prior. Inverse variances
// share one division, and so does what is left of the rank-one formula.
DEVICE void solve_candidate(const MixtureArgs& a, const PixelSignals& s, const float (&f)[4][PX],
                            float tightness, Joined& j) {
    const float t2 = tightness * tightness, e2 = a.clean_error * a.clean_error;
    EACH_PIXEL {
        const float c0 = s.clean[0][p], c1 = s.clean[1][p], c2 = s.clean[2][p];
        const float f0 = f[0][p], f1 = f[1][p], f2 = f[2][p];
        const float p0 = s.plate[0][p], p1 = s.plate[1][p], p2 = s.plate[2][p];
        const float d0 = f0 - c0, d1 = f1 - c1, d2 = f2 - c2;
        const float r0 = p0 - c0, r1 = p1 - c1, r2 = p2 - c2;
        const float n0 = EDGE_NOISE * s.noise[0][p] + 1e-10f;
        const float n1 = EDGE_NOISE * s.noise[1][p] + 1e-10f;
        const float n2 = EDGE_NOISE * s.noise[2][p] + 1e-10f;
        const float s0 = t2 * f0 * f0, s1 = t2 * f1 * f1, s2 = t2 * f2 * f2;
        const float e0 = e2 * c0 * c0, e1 = e2 * c1 * c1, e3 = e2 * c2 * c2;
        float alpha = clamped(s.share[p], 0.02f, 0.98f);
        float a0, a1, a2, u0, u1, u2, uau, most, volume;
#pragma unroll
        for (int step = 0; step < 2; ++step) {
            const float solid = alpha * alpha, bare = (1.0f - alpha) * (1.0f - alpha);
            const float v0 = n0 + solid * s0 + bare * e0;
            const float v1 = n1 + solid * s1 + bare * e1;
            const float v2 = n2 + solid * s2 + bare * e3;
            volume = v0 * v1 * v2;
            const float k = 1.0f / volume;
            a0 = v1 * v2 * k, a1 = v0 * v2 * k, a2 = v0 * v1 * k;
            const float shade = alpha * a.shading;
            u0 = shade * f0, u1 = shade * f1, u2 = shade * f2;
            const float ua0 = u0 * a0, ua1 = u1 * a1, ua2 = u2 * a2;
            uau = 1.0f + (u0 * ua0 + u1 * ua1 + u2 * ua2);
            const float ud = ua0 * d0 + ua1 * d1 + ua2 * d2;
            const float ur = ua0 * r0 + ua1 * r1 + ua2 * r2;
            const float dad = d0 * a0 * d0 + d1 * a1 * d1 + d2 * a2 * d2;
            const float dar = d0 * a0 * r0 + d1 * a1 * r1 + d2 * a2 * r2;
            // Information and what is sought, both times uau.
            most = 1.0f / fmaxf(dad * uau - ud * ud, 1e-6f * uau);
            alpha = clamp01((dar * uau - ud * ur) * most);
        }
        const float l0 = r0 - alpha * d0, l1 = r1 - alpha * d1, l2 = r2 - alpha * d2;
        const float ual = u0 * a0 * l0 + u1 * a1 * l1 + u2 * a2 * l2;
        const float chi = l0 * a0 * l0 + l1 * a1 * l1 + l2 * a2 * l2 - ual * ual / uau;
        const float score = -0.5f * (chi + natural_log(uau * volume)) + f[3][p];
        join(j, p, score, alpha - clamp01(s.share[p]), uau * most, f0, f1, f2);

        // The same colour by itself, brighter or darker.
        const float w0 = n0 + s0, w1 = n1 + s1, w2 = n2 + s2, whole = w0 * w1 * w2;
        const float k = 1.0f / whole;
        const float b0 = w1 * w2 * k, b1 = w0 * w2 * k, b2 = w0 * w1 * k;
        const float pf = p0 * b0 * f0 + p1 * b1 * f1 + p2 * b2 * f2;
        const float ff = f0 * b0 * f0 + f1 * b1 * f1 + f2 * b2 * f2 + 1e-10f;
        const float pp = p0 * b0 * p0 + p1 * b1 * p1 + p2 * b2 * p2;
        const float shaded = -0.5f * (pp - pf * pf / ff + natural_log(whole)) + f[3][p];
        const float apart = shaded - j.solid_top[p], less = falling(-fabsf(apart));
        const bool above = apart > 0.0f;
        j.solid_weight[p] = above ? j.solid_weight[p] * less + 1.0f : j.solid_weight[p] + less;
        j.solid_top[p] = above ? shaded : j.solid_top[p];
    }
}

// The evidence for see-through, then the colour difference with a foreground of which nothing is
// known, and what it all comes to.
DEVICE void finish_mixture(const PixelSignals& s, Joined& j, float* alpha, float* spread,
                           float (&colour)[3][PX], float* through) {
    EACH_PIXEL {
        through[p] = j.top[p] + natural_log(j.weight[p])
                     - (j.solid_top[p] + natural_log(j.solid_weight[p]));
        const float p0 = s.plate[0][p], p1 = s.plate[1][p], p2 = s.plate[2][p];
        const float own = clamp01(s.share[p]);
        const float level = (fmaxf(p0, 0.0f) + fmaxf(p1, 0.0f) + fmaxf(p2, 0.0f)) / 3.0f + 0.05f;
        const float broad = own * BROAD * level, more = broad * broad;
        const float v = (s.noise[0][p] + more) * (s.noise[1][p] + more) * (s.noise[2][p] + more);
        const float score = -0.5f * (1.5f + natural_log(v)) + NOTHING_KNOWN;
        const float inner = 0.02f + 1.0f / (s.snr[p] * s.snr[p]);
        // Its colour depends on the mean, which it takes part in.
        const float apart = score - j.top[p], less = falling(-fabsf(apart));
        const float w = apart > 0.0f ? 1.0f : less;
        join(j, p, score, 0.0f, inner, 0.0f, 0.0f, 0.0f);
        const float inverse = 1.0f / j.weight[p], off = j.mean[p] * inverse, share = w * inverse;
        const float mean = own + off;
        alpha[p] = mean;
        spread[p] = j.inner[p] * inverse + fmaxf(j.square[p] * inverse - off * off, 0.0f);
        const float scale = 1.0f / fmaxf(mean, 0.1f), left = 1.0f - mean;
        colour[0][p] = j.colour[0][p] * inverse
                       + share * fmaxf((p0 - left * s.clean[0][p]) * scale, 0.0f);
        colour[1][p] = j.colour[1][p] * inverse
                       + share * fmaxf((p1 - left * s.clean[1][p]) * scale, 0.0f);
        colour[2][p] = j.colour[2][p] * inverse
                       + share * fmaxf((p2 - left * s.clean[2][p]) * scale, 0.0f);
    }
}

DEVICE const float* plane_at(u64 planes, long long at) {
    return reinterpret_cast<const float*>(planes) + at;
}
DEVICE float* plane_to(u64 planes, long long at) { return reinterpret_cast<float*>(planes) + at; }

// Where a pixel of the frame lies between those of the reduced one: bilinear between the centres of
// squares, the border repeated.
struct Between {
    int low, high;
    float share;   // of `high`
};

DEVICE Between between(int at, int factor, int count) {
    const float exact = ((float)at + 0.5f) / (float)factor - 0.5f;
    const float whole = floorf(exact);
    const int low = (int)whole;
    Between b = {low, low + 1, exact - whole};
    if (low < 0) b.low = b.high = 0, b.share = 0.0f;
    if (low >= count - 1) b.low = b.high = count - 1, b.share = 0.0f;
    return b;
}

// One group of pixels. sample(n, f): puts candidate n's colour and log prior into f[4][PX].
template <class Sample>
DEVICE void mixture_group(const MixtureArgs& a, long long at, const Sample& sample) {
    PixelSignals s;
    float skip[PX], alpha[PX] = {}, spread[PX] = {}, through[PX] = {}, colour[3][PX] = {};
    EACH_CHANNEL load_px(plane_at(a.plate, c * a.stride), false, at, s.plate[c]);
    load_px(plane_at(a.skip, 0), false, at, skip);
    bool any = false;
    for (int p = 0; p < PX; ++p) any = any || skip[p] == 0.0f;
    if (any) {
        EACH_CHANNEL load_px(plane_at(a.clean, c * a.stride), false, at, s.clean[c]);
        EACH_CHANNEL load_px(plane_at(a.variance, c * a.stride), false, at, s.noise[c]);
        load_px(plane_at(a.share, 0), false, at, s.share);
        load_px(plane_at(a.snr, 0), false, at, s.snr);
        Joined j;
        join_nothing(j);
#pragma unroll 1
        for (int n = 0; n < a.count; ++n) {
            float f[4][PX];
            sample(n, f);
            solve_candidate(a, s, f, a.tightness[n], j);
        }
        finish_mixture(s, j, alpha, spread, colour, through);
    }
    bool left_out = false;
    for (int p = 0; p < PX; ++p) left_out = left_out || skip[p] != 0.0f;
    if (left_out) {
        float f[4][PX];
        sample(0, f);
        EACH_PIXEL {
            const bool solid = skip[p] > 0.0f, solved = skip[p] == 0.0f;
            alpha[p] = solved ? alpha[p] : (solid ? 1.0f : 0.0f);
            spread[p] = solved ? spread[p] : 0.0f;
            through[p] = solved ? through[p] : (solid ? -6.0f : 6.0f);
            colour[0][p] = solved ? colour[0][p] : (solid ? s.plate[0][p] : f[0][p]);
            colour[1][p] = solved ? colour[1][p] : (solid ? s.plate[1][p] : f[1][p]);
            colour[2][p] = solved ? colour[2][p] : (solid ? s.plate[2][p] : f[2][p]);
        }
    }
    store_px(plane_to(a.alpha, 0), false, at, alpha);
    store_px(plane_to(a.spread, 0), false, at, spread);
    store_px(plane_to(a.through, 0), false, at, through);
    EACH_CHANNEL store_px(plane_to(a.colour, c * a.stride), false, at, colour[c]);
}

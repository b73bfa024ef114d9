// Passes 1 to 4: kernels/reference/unmix/signals.py and pooling.py.
#pragma once

struct Settings {
    Channels order;
    float gain[3], offset[3];   // of the noise, trust and averaging in them
    float clean_error, solidity;
};

struct Signals {
    Stack plate, clean, variance, share, bare, snr;
};

Signals signals_like(Passes& w, const Stack& plate, const Stack& clean) {
    return {plate, clean, w.like(plate, 3), w.like(plate, 1), w.like(plate, 1), w.like(plate, 1)};
}

DEVICE float screen_excess(const Channels& o, float k, float i, float j) {
    return fmaxf(k - fmaxf(i, j), 0.04f * fmaxf(k, 0.0f) + 1e-5f);
}

void signal_to_noise(Passes& w, const Settings& o, const Signals& s) {
    const Channels n = o.order;
    w.rows(s.plate.height, [&](int y) {
        const float *ck = s.clean.row(n.k, y), *ci = s.clean.row(n.i, y), *cj = s.clean.row(n.j, y);
        const float *vk = s.variance.row(n.k, y), *vi = s.variance.row(n.i, y);
        const float* vj = s.variance.row(n.j, y);
        float* out = s.snr.row(0, y);
        VECTORISED for (int x = 0; x < s.plate.width; ++x)
            out[x] = screen_excess(n, ck[x], ci[x], cj[x]) / sqrtf(vk[x] + fmaxf(vi[x], vj[x]));
    });
}

void noise_variance(Passes& w, const Settings& o, const Signals& s) {
    gaussian(w, s.plate, s.variance, 1.0);
    w.rows(3 * s.plate.height, [&](int at) {
        const int c = at / s.plate.height;
        float* v = s.variance.row(0, at);
        VECTORISED for (int x = 0; x < s.plate.width; ++x)
            v[x] = (o.gain[c] * fmaxf(v[x], 0.0f) + o.offset[c]) + 1e-8f;
    });
}

// Whether any value is above a limit.
bool any_above(Passes& w, const Stack& s, float limit) {
    int found = w.dry;
    w.rows(s.count * s.height, [&](int at) {
        const float* v = s.row(0, at);
        int above = 0;
        VECTORISED for (int x = 0; x < s.width; ++x) above |= v[x] > limit ? 1 : 0;
        if (above) __atomic_store_n(&found, 1, __ATOMIC_RELAXED);
    });
    return found;
}

// Lessens `accepted` where a mean differs from a finer one by more than noise.
void agree(Passes& w, const Stack& mean, const Stack& finer, const Stack& its, double sigma,
           const Stack& accepted) {
    Held held(w);
    const Stack unlike = w.like(mean, 1), soft = w.like(mean, 1);
    w.rows(mean.height, [&](int y) {
        float* out = unlike.row(0, y);
        const float *m0 = mean.row(0, y), *m1 = mean.row(1, y), *m2 = mean.row(2, y);
        const float *f0 = finer.row(0, y), *f1 = finer.row(1, y), *f2 = finer.row(2, y);
        const float *v0 = its.row(0, y), *v1 = its.row(1, y), *v2 = its.row(2, y);
        VECTORISED for (int x = 0; x < mean.width; ++x) {
            const float d0 = m0[x] - f0[x], d1 = m1[x] - f1[x], d2 = m2[x] - f2[x];
            out[x] = (d0 * d0 / v0[x] + d1 * d1 / v1[x] + d2 * d2 / v2[x]) / 3.0f;
        }
    });
    gaussian(w, unlike, soft, sigma);
    w.rows(mean.height, [&](int y) {
        float* out = accepted.row(0, y);
        const float* u = soft.row(0, y);
        VECTORISED for (int x = 0; x < mean.width; ++x) out[x] *= soft_step(-u[x], -2.0f, -1.6f);
    });
}

// Pools plate and variance where the light is low; in place.
void pool_noise(Passes& w, const Signals& s, const Stack& plate) {
    constexpr double SCALES[3] = {0.8, 1.6, 3.2};
    Held held(w);
    const Stack accepted = w.like(plate, 1);
    w.rows(plate.height, [&](int y) {
        const float* snr = s.snr.row(0, y);
        float* out = accepted.row(0, y);
        VECTORISED for (int x = 0; x < plate.width; ++x) out[x] = soft_step(-snr[x], -16.0f, -8.0f);
    });
    if (!any_above(w, accepted, 0.0f)) return;
    Stack seen[4] = {w.like(plate, 3)}, its[4] = {w.like(plate, 3)};
    const auto copy = [&](const Stack& from, const Stack& to) {
        w.rows(3 * plate.height, [&](int at) {
            __builtin_memcpy(to.row(0, at), from.row(0, at), plate.width * sizeof(float));
        });
    };
    copy(plate, seen[0]), copy(s.variance, its[0]);
    for (int n = 1; n < 4; ++n) {
        const double sigma = SCALES[n - 1], left = 2.5 / (4 * 3.14159265358979 * sigma * sigma);
        const float share = left < 0.7 ? (float)left : 0.7f;
        seen[n] = w.like(plate, 3), its[n] = w.like(plate, 3);
        gaussian(w, seen[0], seen[n], sigma);
        gaussian(w, its[0], its[n], sigma);
        w.rows(3 * plate.height, [&](int at) {
            float* v = its[n].row(0, at);
            VECTORISED for (int x = 0; x < plate.width; ++x) v[x] *= share;
        });
        for (int finer = 0; finer < n; ++finer)
            agree(w, seen[n], seen[finer], its[finer], sigma > 1.2 ? sigma : 1.2, accepted);
        w.rows(3 * plate.height, [&](int at) {
            const float* take = accepted.row(0, at % plate.height);
            float *p = plate.row(0, at), *v = s.variance.row(0, at);
            const float *mean = seen[n].row(0, at), *noise = its[n].row(0, at);
            VECTORISED for (int x = 0; x < plate.width; ++x) {
                p[x] += take[x] * (mean[x] - p[x]);
                v[x] += take[x] * (noise[x] - v[x]);
            }
        });
    }
}

// Adds the variance of coloured fringes beside very bright edges.
void add_fringes(Passes& w, const Channels& o, const Signals& s) {
    Held held(w);
    const Stack &plate = s.plate, level = w.like(plate, 1), bright = w.like(plate, 1);
    const int width = plate.width;
    w.rows(plate.height, [&](int y) {
        const float *r = plate.row(0, y), *g = plate.row(1, y), *b = plate.row(2, y);
        float* out = level.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) out[x] = max3(r[x], g[x], b[x]);
    });
    if (!any_above(w, level, 0.8f)) return;
    greatest(w, level, bright, 2);
    const Stack difference = w.like(plate, 2), soft = w.like(plate, 2);
    const int other[2] = {o.i, o.j};
    w.rows(2 * plate.height, [&](int at) {
        const int n = at / plate.height, y = at % plate.height;
        const float *c = plate.row(other[n], y), *k = plate.row(o.k, y);
        float* out = difference.row(n, y);
        VECTORISED for (int x = 0; x < width; ++x) out[x] = c[x] - k[x];
    });
    gaussian(w, difference, soft, 1.2);
    w.rows(2 * plate.height, [&](int at) {
        const float* fine = soft.row(0, at);
        float* out = difference.row(0, at);
        VECTORISED for (int x = 0; x < width; ++x) out[x] = (out[x] - fine[x]) * (out[x] - fine[x]);
    });
    box(w, difference, soft, 1);
    w.rows(plate.height, [&](int y) {
        const float *u0 = soft.row(0, y), *u1 = soft.row(1, y), *m = bright.row(0, y);
        float *vk = s.variance.row(o.k, y), *vi = s.variance.row(o.i, y);
        float* vj = s.variance.row(o.j, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            const float near = soft_step(m[x], 0.8f, 1.2f);
            const float over = 0.02f * fmaxf(m[x] - 0.8f, 0.0f), most = over * over;
            const float a = fmaxf(u0[x] - 0.6f * (vi[x] + vk[x]), 0.0f) * near;
            const float b = fmaxf(u1[x] - 0.6f * (vj[x] + vk[x]), 0.0f) * near;
            vi[x] += 0.5f * a + most;
            vj[x] += 0.5f * b + most;
            vk[x] += 0.25f * a + 0.25f * b + most;
        }
    });
}

// The excess share, the signal to noise and the soft posterior for bare screen.
void before_screen(Passes& w, const Settings& o, const Signals& s) {
    Held held(w);
    const Channels n = o.order;
    const Stack raw = w.like(s.plate, 2), soft = w.like(s.plate, 2);
    const int width = s.plate.width;
    const float error = o.clean_error * o.clean_error;
    signal_to_noise(w, o, s);
    w.rows(s.plate.height, [&](int y) {
        const float *pk = s.plate.row(n.k, y), *pi = s.plate.row(n.i, y), *pj = s.plate.row(n.j, y);
        const float *ck = s.clean.row(n.k, y), *ci = s.clean.row(n.i, y), *cj = s.clean.row(n.j, y);
        const float *vk = s.variance.row(n.k, y), *vi = s.variance.row(n.i, y);
        const float* vj = s.variance.row(n.j, y);
        float *share = s.share.row(0, y), *chi = raw.row(0, y), *held_share = raw.row(1, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            const float excess = pk[x] - fmaxf(pi[x], pj[x]);
            const float v = 1.0f - excess / screen_excess(n, ck[x], ci[x], cj[x]);
            const float dk = pk[x] - ck[x], di = pi[x] - ci[x], dj = pj[x] - cj[x];
            share[x] = v;
            held_share[x] = clamped(v, -2.0f, 2.0f);
            chi[x] = dk * dk / (vk[x] + error * ck[x] * ck[x])
                     + di * di / (vi[x] + error * ci[x] * ci[x])
                     + dj * dj / (vj[x] + error * cj[x] * cj[x]);
        }
    });
    gaussian(w, raw, soft, 2.0);
    w.rows(s.plate.height, [&](int y) {
        const float *chi = soft.row(0, y), *mean = soft.row(1, y), *snr = s.snr.row(0, y);
        float* out = raw.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            const float limit = clamped(3.0f / (snr[x] * 5.0f), 0.03f, 0.12f);
            out[x] = soft_step(-chi[x], -7.5f, -4.5f)
                     * soft_step(-fabsf(mean[x]), -1.6f * limit, -0.8f * limit);
        }
    });
    opened(w, raw.part(0, 1), s.bare, 1);
}

// All of it; changes s.plate where it is pooled.
void make_signals(Passes& w, const Settings& o, const Signals& s) {
    noise_variance(w, o, s);
    signal_to_noise(w, o, s);
    pool_noise(w, s, s.plate);
    add_fringes(w, o.order, s);
    before_screen(w, o, s);
}

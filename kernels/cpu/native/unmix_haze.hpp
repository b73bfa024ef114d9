// Passes 8b and 9: kernels/reference/unmix/neutral.py, and own_hue of despill.py.
#pragma once

// 1 where alpha hardly varies over 7 pixels.
void calm(Passes& w, const Stack& alpha, const Stack& out) {
    Held held(w);
    const Stack both = w.like(alpha, 2), mean = w.like(alpha, 2);
    w.rows(alpha.height, [&](int y) {
        const float* a = alpha.row(0, y);
        float *to = both.row(0, y), *square = both.row(1, y);
        VECTORISED for (int x = 0; x < alpha.width; ++x) {
            to[x] = clamped(a[x], -0.5f, 1.5f);
            square[x] = to[x] * to[x];
        }
    });
    box(w, both, mean, 3);
    w.rows(alpha.height, [&](int y) {
        const float *m = mean.row(0, y), *square = mean.row(1, y);
        float* to = out.row(0, y);
        VECTORISED for (int x = 0; x < alpha.width; ++x)
            to[x] = soft_step(-sqrtf(fmaxf(square[x] - m[x] * m[x], 0.0f)), -0.2f, -0.08f);
    });
}

// Weighted Gaussian mean at quarter size, and how far it is to be trusted. base: colour, weight.
void region_mean(Passes& w, const Stack& base, double sigma, const Stack& out) {
    constexpr int FACTOR = 4;
    Held held(w);
    const Stack small = w.take(4, parts(base.height, FACTOR), parts(base.width, FACTOR));
    const Stack mean = w.like(small, 4);
    reduced_of(w, base.height, base.width, FACTOR, FACTOR, small, [&](int n, int y, int x) {
        const float weight = base.row(3, y)[x];
        return n == 3 ? weight : base.row(n, y)[x] * weight;
    });
    gaussian(w, small, mean, sigma / FACTOR);
    w.rows(3 * mean.height, [&](int at) {
        const float* weight = mean.row(3, at % mean.height);
        float* v = mean.row(0, at);
        VECTORISED for (int x = 0; x < mean.width; ++x) v[x] /= fmaxf(weight[x], 1e-6f);
    });
    enlarged(w, mean, FACTOR, FACTOR, 0, 0, out.part(0, 4));
    w.rows(out.height, [&](int y) {
        float* v = out.row(3, y);
        VECTORISED for (int x = 0; x < out.width; ++x) v[x] = soft_step(v[x], 0.0005f, 0.01f);
    });
}

// Two candidates: the most neutral colour over a region and near by.
void neutral_colours(Passes& w, const Settings& o, const Signals& s, const Stack& solid, const Stack& all,
                     int first) {
    Held held(w);
    const int width = solid.width, height = solid.height;
    const long long plane = solid.size();
    const Stack p = w.like(solid, 3), a = w.like(solid, 1), grown = w.like(solid, 1);
    const Stack near = w.like(solid, 1), even = w.like(solid, 1), still = w.like(solid, 1);
    const Stack base = w.like(solid, 4), mean = w.like(solid, 4);
    box(w, s.plate, p, 2);
    greatest(w, solid, grown, 4);
    gaussian(w, grown, near, 3.0);
    w.rows(height, [&](int y) {
        const Channels c = o.order;
        const float *pk = p.row(c.k, y), *pi = p.row(c.i, y), *pj = p.row(c.j, y);
        const float *ck = s.clean.row(c.k, y), *ci = s.clean.row(c.i, y), *cj = s.clean.row(c.j, y);
        float* to = a.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x)
            to[x] = likely_alpha(c.k, {pk[x], pi[x], pj[x]}, {ck[x], ci[x], cj[x]});
    });
    calm(w, a, even);
    gaussian(w, even, still, 2.0);
    w.rows(height, [&](int y) {
        const float *q = p.row(0, y), *c = s.clean.row(0, y), *v = s.variance.row(0, y);
        const float *alpha = a.row(0, y), *beside = near.row(0, y), *bare = s.bare.row(0, y);
        const float *ck = s.clean.row(o.order.k, y), *ci = s.clean.row(o.order.i, y);
        const float *cj = s.clean.row(o.order.j, y), *e = even.row(0, y);
        float* to = base.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            const float ec = fmaxf(ck[x] - (ci[x] + cj[x]) / 2.0f, 1e-4f), own = alpha[x];
            const float noise = (v[x] + v[x + plane] + v[x + 2 * plane]) / 12.0f;
            const float signal = own * ec / sqrtf(noise + 1.6e-5f * ec * ec);
            const float away = fmaxf(1.0f - beside[x], 0.0f), some = clamped(own, 0.0f, 0.5f);
            const float inverse = 1.0f / fmaxf(own, 0.02f);
            to[x + 3 * plane] = soft_step(signal, 3.0f, 13.0f) * some * some * away * away
                                * (1.0f - bare[x]) * soft_step(-own, -1.0f, -0.8f) * e[x];
            for (int n = 0; n < 3; ++n) {
                const float clean = c[x + n * plane];
                to[x + n * plane] =
                    clamped(clean + (q[x + n * plane] - clean) * inverse, 0.0f, 4.0f);
            }
        }
    });
    region_mean(w, base, 26.0, mean);
    w.rows(height, [&](int y) {
        const float* m = mean.row(0, y);
        float* v = base.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            const float r = v[x], g = v[x + plane], b = v[x + 2 * plane], sum = (r + g + b) / 3.0f;
            const float m0 = m[x], m1 = m[x + plane], m2 = m[x + 2 * plane];
            const float level = sum / fmaxf((m0 + m1 + m2) / 3.0f, 1e-3f);
            const float apart = fabsf(r - level * m0) + fabsf(g - level * m1) + fabsf(b - level * m2);
            const float off = apart / 3.0f / fmaxf(sum, 1e-3f) * (1.0f / 0.12f);
            v[x + 3 * plane] *= falling(-0.5f * off * off);
        }
    });
    for (int n = 0; n < 2; ++n) {
        const Stack to = candidate(all, first + n);
        region_mean(w, base, n ? 7.0 : 26.0, to);
        w.rows(height, [&](int y) {
            const float *calmly = still.row(0, y), *p_solid = solid.row(0, y);
            float* seen = to.row(3, y);
            VECTORISED for (int x = 0; x < width; ++x)
                seen[x] = natural_log(fmaxf(seen[x] * calmly[x] * (1.0f - p_solid[x]), 1e-4f)) + 2.0f;
        });
    }
}

// One candidate of the colour that was given.
void given_haze(Passes& w, const float* colour, const Stack& solid, const Stack& to) {
    w.rows(solid.height, [&](int y) {
        const float* p = solid.row(0, y);
        for (int n = 0; n < 3; ++n)
            for (int x = 0; x < solid.width; ++x) to.row(n, y)[x] = colour[n];
        float* v = to.row(3, y);
        VECTORISED for (int x = 0; x < solid.width; ++x)
            v[x] = natural_log(fmaxf(1.0f - p[x], 0.05f)) + 3.0f;
    });
}

constexpr int BINS = 24, BLOCK = 8;
constexpr float WIDEST = 1.2f;

// Where a column of cumulative shares reaches one, linear within the bin.
DEVICE float quantile(const float* cumulative, float share) {
    int first = 0;
    for (int n = BINS - 1; n >= 0; --n) first = cumulative[n] >= share ? n : first;
    const float here = cumulative[first], before = first ? cumulative[first - 1] : 0.0f;
    return (first + clamp01((share - before) / fmaxf(here - before, 1e-6f))) * WIDEST / BINS;
}

// Shares of hues by blocks: BINS planes, and solid's.
void hue_blocks(Passes& w, const Channels& o, const Stack& colour, const Stack& solid, const Stack& bins) {
    const float least = natural_log(1.03f);
    w.bands(bins.height, 2, [&](int y0, int y1) {
        Scratch<float> memory(2LL * solid.width);
        if (!memory.at) return w.failure.note();
        float *hue = memory.at, *sure = hue + solid.width;
        for (int by = y0; by < y1; ++by) {
            for (int n = 0; n <= BINS; ++n)
                for (int x = 0; x < bins.width; ++x) bins.row(n, by)[x] = 0.0f;
            for (int dy = 0; dy < BLOCK; ++dy) {
                const int y = min(by * BLOCK + dy, solid.height - 1);
                const float *k = colour.row(o.k, y), *i = colour.row(o.i, y), *j = colour.row(o.j, y);
                const float* p = solid.row(0, y);
                VECTORISED for (int x = 0; x < solid.width; ++x) {
                    const float m = fmaxf(fmaxf(i[x], j[x]), 1e-4f);
                    hue[x] = natural_log(fmaxf(k[x], 1e-4f) / m);
                    sure[x] = clamp01((p[x] - 0.85f) / 0.1f) * (1.0f / (BLOCK * BLOCK));
                }
                for (int bx = 0; bx < bins.width; ++bx)
                    for (int dx = 0; dx < BLOCK; ++dx) {
                        const int x = min(bx * BLOCK + dx, solid.width - 1);
                        if (sure[x] == 0.0f) continue;
                        bins.row(BINS, by)[bx] += sure[x];
                        if (!(hue[x] > least)) continue;
                        bins.row(min((int)(hue[x] / WIDEST * BINS), BINS - 1), by)[bx] += sure[x];
                    }
            }
        }
    });
}

// How far surfaces round about are of the screen's hue by themselves, as a log ratio.
void own_hue(Passes& w, const Channels& o, const Stack& colour, const Stack& solid, const Stack& out) {
    Held held(w);
    const int h = parts(solid.height, BLOCK), width = parts(solid.width, BLOCK);
    const Stack bins = w.take(BINS + 1, h, width), pooled = w.take(BINS + 1, h, width);
    const Stack found = w.take(1, h, width);
    hue_blocks(w, o, colour, solid, bins);
    gaussian(w, bins, pooled, 28.0 / BLOCK);
    w.rows(h, [&](int y) {
        for (int x = 0; x < width; ++x) {
            float cumulative[BINS], total = 0.0f, sum = 0.0f;
            for (int n = 0; n < BINS; ++n) total += pooled.row(n, y)[x];
            for (int n = 0; n < BINS; ++n)
                cumulative[n] = (sum += pooled.row(n, y)[x]) / fmaxf(total, 1e-6f);
            const float low = quantile(cumulative, 0.08f), middle = quantile(cumulative, 0.5f);
            const float all = fmaxf(pooled.row(BINS, y)[x], 1e-4f);
            const float share = clamp01((total / all - 0.2f) / 0.4f);
            const float narrow = clamp01(1.5f - (middle - low) / 0.25f);
            found.row(0, y)[x] = low * share * narrow * clamp01(total / 0.05f);
        }
    });
    enlarged(w, found, BLOCK, BLOCK, 0, 0, out);
}

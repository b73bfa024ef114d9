// Pass 8: kernels/reference/unmix/colours.py.
#pragma once

// Candidates are four planes each: colour and log prior.
Stack candidate(const Stack& all, int n) { return all.part(4 * n, 4); }

void fill_prior(Passes& w, const Stack& to, float value) {
    w.rows(to.height, [&](int y) {
        float* v = to.row(3, y);
        for (int x = 0; x < to.width; ++x) v[x] = value;
    });
}

// log(max(value, floor)) + constant, as log prior.
void log_prior(Passes& w, const Stack& value, float floor, float constant, const Stack& to) {
    w.rows(to.height, [&](int y) {
        const float* from = value.row(0, y);
        float* v = to.row(3, y);
        VECTORISED for (int x = 0; x < to.width; ++x)
            v[x] = natural_log(fmaxf(from[x], floor)) + constant;
    });
}

// Weighted means of ever larger squares. Four planes a level: colour, weight.
struct Pyramid {
    Stack level[9];
    int count;
};

// Level 0 is given. Source: Gortler et al. 1996, as the reference.
Pyramid pull(Passes& w, const Stack& finest) {
    Pyramid p;
    p.level[0] = finest, p.count = 1;
    while (p.count <= 8 && min(p.level[p.count - 1].height, p.level[p.count - 1].width) >= 2) {
        const Stack from = p.level[p.count - 1];
        const Stack to = w.take(4, parts(from.height, 2), parts(from.width, 2));
        p.level[p.count++] = to;
        const long long plane = from.size();
        reduced_of(w, from.height, from.width, 2, 2, to, [=](int n, int y, int x) {
            const float weight = from.row(3, y)[x];
            return n == 3 ? weight : from.row(0, y)[x + n * plane] * weight;
        });
        w.rows(to.height, [&](int y) {
            float *r = to.row(0, y), *g = to.row(1, y), *b = to.row(2, y), *weight = to.row(3, y);
            VECTORISED for (int x = 0; x < to.width; ++x) {
                const float scale = 1.0f / fmaxf(weight[x], 1e-8f);
                r[x] *= scale, g[x] *= scale, b[x] *= scale;
                weight[x] = fminf(4.0f * weight[x], 1.0f);
            }
        });
    }
    return p;
}

// Fills from coarse to fine; levels before `finest` are not heard. out: three planes.
void push(Passes& w, const Pyramid& p, int finest, const Stack& out) {
    Held held(w);
    const Stack top = p.level[p.count - 1];
    Stack up = w.like(top, 3);
    if (p.count == 1) up = out;
    if (!w.dry) {
        double total = 0.0;
        for (long long n = 0; n < top.size(); ++n) total += top.row(3, 0)[n];
        for (int c = 0; c < 3; ++c) {
            double sum = 0.0;
            for (long long n = 0; n < top.size(); ++n) sum += top.row(c, 0)[n] * top.row(3, 0)[n];
            const float whole = (float)(sum / fmax(total, 1e-8));
            for (long long n = 0; n < top.size(); ++n) {
                const float weight = top.row(3, 0)[n];
                up.row(c, 0)[n] = weight * top.row(c, 0)[n] + (1.0f - weight) * whole;
            }
        }
    }
    for (int l = p.count - 2; l >= 0; --l) {
        const Stack here = p.level[l], to = l == 0 ? out.part(0, 3) : w.like(here, 3);
        enlarged(w, up, 2, 2, 0, 0, to);
        if (l >= finest)
            w.rows(3 * here.height, [&](int at) {
                const float *weight = here.row(3, at % here.height), *own = here.row(0, at);
                float* v = to.row(0, at);
                VECTORISED for (int x = 0; x < here.width; ++x)
                    v[x] = weight[x] * own[x] + (1.0f - weight[x]) * v[x];
            });
        up = to;
    }
}

void copy_planes(Passes& w, const Stack& from, const Stack& to) {
    w.rows(from.count * from.height, [&](int at) {
        __builtin_memcpy(to.row(0, at), from.row(0, at), from.width * sizeof(float));
    });
}

// Weight of pixels whose colour is surely the subject's own.
void core_weight(Passes& w, const Signals& s, const Stack& inside, const Stack& core) {
    Held held(w);
    const int width = inside.width;
    const Stack share = w.like(inside, 1), soft = w.like(inside, 1), top = w.like(inside, 1);
    const Stack low = w.like(inside, 1);
    w.rows(inside.height, [&](int y) {
        const float* v = s.share.row(0, y);
        float* to = share.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) to[x] = clamped(v[x], 0.0f, 1.3f);
    });
    gaussian(w, share, soft, 0.7);
    greatest(w, soft, top, 10);
    least(w, share, low, 1);
    w.rows(inside.height, [&](int y) {
        const float *most = top.row(0, y), *own = low.row(0, y), *p = inside.row(0, y);
        float* to = core.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x)
            to[x] = soft_step(p[x], 0.5f, 0.9f)
                    * soft_step(own[x] / fmaxf(most[x], 0.2f), 0.85f, 0.97f);
    });
}

// Colours of thin, locally extreme parts.
void strand_colour(Passes& w, const Signals& s, const Stack& out) {
    Held held(w);
    const int width = s.plate.width, height = s.plate.height;
    const Stack share = w.like(s.plate, 1), soft = w.like(s.plate, 1), wide = w.like(s.plate, 1);
    const Stack top = w.like(s.plate, 1), base = w.like(s.plate, 4);
    w.rows(height, [&](int y) {
        const float* v = s.share.row(0, y);
        float* to = share.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) to[x] = clamped(v[x], 0.0f, 1.2f);
    });
    gaussian(w, share, soft, 0.7);
    opened(w, soft, wide, 2);
    greatest(w, soft, top, 2);
    w.rows(height, [&](int y) {
        const float *a = share.row(0, y), *b = soft.row(0, y), *o = wide.row(0, y);
        const float *t = top.row(0, y), *p = s.plate.row(0, y), *c = s.clean.row(0, y);
        const long long plane = base.size();
        float* to = base.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            const float left = 1.0f - fminf(a[x], 1.0f), scale = 1.0f / fmaxf(a[x], 0.3f);
            for (int n = 0; n < 3; ++n)
                to[x + n * plane] = fmaxf((p[x + n * plane] - left * c[x + n * plane]) * scale, 0.0f);
            to[x + 3 * plane] = soft_step(b[x] - o[x], 0.15f, 0.35f)
                                * soft_step(b[x] - 0.9f * t[x], 0.0f, 0.05f)
                                * soft_step(a[x], 0.45f, 0.75f);
        }
    });
    push(w, pull(w, base), 0, out);
}

// Colours of things brighter than the screen.
void bright_colour(Passes& w, const Signals& s, const Stack& out) {
    Held held(w);
    const int width = s.plate.width, height = s.plate.height;
    const Stack level = w.like(s.plate, 1), top = w.like(s.plate, 1), base = w.like(s.plate, 4);
    const long long plane = level.size();
    w.rows(height, [&](int y) {
        const float* p = s.plate.row(0, y);
        float* to = level.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) to[x] = max3(p[x], p[x + plane], p[x + 2 * plane]);
    });
    greatest(w, level, top, 4);
    copy_planes(w, s.plate, base);
    w.rows(height, [&](int y) {
        const float *v = level.row(0, y), *t = top.row(0, y), *c = s.clean.row(0, y);
        float* to = base.row(3, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            const float beyond = max3(c[x], c[x + plane], c[x + 2 * plane]);
            to[x] = soft_step(v[x] / fmaxf(t[x], 1e-4f), 0.75f, 0.95f)
                    * soft_step(v[x] / beyond, 1.3f, 2.0f);
        }
    });
    greatest(w, base.part(3, 1), level, 8);
    gaussian(w, level, top, 4.0);
    log_prior(w, top, 1e-5f, -0.7f, out);
    push(w, pull(w, base), 0, out);
}

// First core colour met along each of eight rays. base: colour, weight. Fills eight candidates from `out`.
void along_rays(Passes& w, const Stack& base, int doublings, const Stack& all, int first) {
    static const int RAYS[8][2] = {{0, 1}, {1, 1}, {1, 0}, {1, -1}, {0, -1}, {-1, -1}, {-1, 0}, {-1, 1}};
    Held held(w);
    const int h = parts(base.height, 2), width = parts(base.width, 2);
    const Stack small = w.take(4, h, width), light = w.take(8 * 2 * 5, h, width);
    reduced_of(w, base.height, base.width, 2, 2, small, [&](int n, int y, int x) {
        const float weight = base.row(3, y)[x];
        return n == 3 ? weight : base.row(n, y)[x] * weight;
    });
    w.pieces(8, [&](int ray) {
        Scratch<float> memory(5LL * width);
        if (!memory.at) return w.failure.note();
        const Stack both[2] = {light.part(10 * ray, 5), light.part(10 * ray + 5, 5)};
        for (int y = 0; y < h; ++y) {
            for (int n = 0; n < 4; ++n)
                __builtin_memcpy(both[0].row(n, y), small.row(n, y), width * sizeof(float));
            const float* weight = small.row(3, y);
            float* clear = both[0].row(4, y);
            VECTORISED for (int x = 0; x < width; ++x) clear[x] = 1.0f - clamp01(weight[x]);
        }
        for (int n = 0; n < doublings; ++n) {
            const Stack &from = both[n % 2], &to = both[1 - n % 2];
            const int dy = RAYS[ray][0] * (1 << n), dx = RAYS[ray][1] * (1 << n);
            for (int y = 0; y < h; ++y) {
                const float* clear = from.row(4, y);
                for (int k = 0; k < 5; ++k) {
                    float *there = memory.at + k * width, *out = to.row(k, y);
                    const float* own = from.row(k, y);
                    shifted_row(from, k, y, dy, dx, k == 4 ? 1.0f : 0.0f, there);
                    if (k == 4) VECTORISED for (int x = 0; x < width; ++x) out[x] = clear[x] * there[x];
                    else VECTORISED for (int x = 0; x < width; ++x)
                        out[x] = own[x] + clear[x] * there[x];
                }
            }
        }
        const Stack& end = both[doublings % 2];
        for (int y = 0; y < h; ++y) {
            float *r = end.row(0, y), *g = end.row(1, y), *b = end.row(2, y), *weight = end.row(3, y);
            VECTORISED for (int x = 0; x < width; ++x) {
                const float scale = 1.0f / fmaxf(weight[x], 1e-3f);
                r[x] *= scale, g[x] *= scale, b[x] *= scale;
                weight[x] = clamp01(weight[x]);
            }
        }
    });
    for (int ray = 0; ray < 8; ++ray) {
        const Stack to = candidate(all, first + ray);
        enlarged(w, light.part(10 * ray + 5 * (doublings % 2), 4), 2, 2, 0, 0, to);
        log_prior(w, to.part(3, 1), 1e-4f, -1.0f, to);
    }
}

// Colours from well inside the subject; two candidates.
void deep_colours(Passes& w, const Signals& s, const Stack& inside, const Stack& all, int first) {
    Held held(w);
    const Stack deep[2] = {w.like(inside, 1), w.like(inside, 1)};
    const Stack base = w.like(inside, 4), grown = w.like(inside, 1), here = w.like(inside, 1);
    copy_planes(w, s.plate, base);
    for (int k = 0; k < 2; ++k) {
        const int n = k ? 8 : 4;
        const Stack to = candidate(all, first + k);
        least(w, k ? deep[0] : inside, deep[k], n);
        w.rows(inside.height, [&](int y) {
            const float* v = deep[k].row(0, y);
            float* weight = base.row(3, y);
            VECTORISED for (int x = 0; x < inside.width; ++x) weight[x] = soft_step(v[x], 0.7f, 0.95f);
        });
        greatest(w, base.part(3, 1), grown, 3 * n);
        gaussian(w, grown, here, n);
        log_prior(w, here, 1e-4f, -0.5f, to);
        Held more(w);
        push(w, pull(w, base), 1, to);
    }
}

// The fifteen sampled candidates.
void sampled_candidates(Passes& w, const Signals& s, const Stack& inside, int doublings, const Stack& all) {
    Held held(w);
    const Stack base = w.like(inside, 4);
    copy_planes(w, s.plate, base);
    core_weight(w, s, inside, base.part(3, 1));
    static const float PRIOR[4] = {0.0f, -0.3f, -0.8f, -0.5f};
    {
        Held more(w);
        const Pyramid p = pull(w, base);
        for (int n = 0; n < 3; ++n) push(w, p, 2 * n, candidate(all, n));
    }
    strand_colour(w, s, candidate(all, 3));
    for (int n = 0; n < 4; ++n) fill_prior(w, candidate(all, n), PRIOR[n]);
    bright_colour(w, s, candidate(all, 4));
    along_rays(w, base, doublings, all, 5);
    deep_colours(w, s, inside, all, 13);
}

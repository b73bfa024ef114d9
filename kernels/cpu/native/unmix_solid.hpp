// Passes 4 to 7: kernels/reference/unmix/solid.py and screen.py.
#pragma once

// Log ratio of how badly a window fits a mix and a solid. g: the blurred plate. v: its variance, one plane.
void shading_line(Passes& w, const Signals& s, const Stack& g, const Stack& v, int radius,
                  const Stack& out) {
    Held held(w);
    const int width = g.width;
    const Stack scale = w.like(g, 1), weight = w.like(g, 1), seen = w.like(g, 1);
    const Stack made = w.like(g, 10), mean = w.like(g, 10);
    box(w, v, scale, radius);
    w.rows(g.height, [&](int y) {
        const float* bare = s.bare.row(0, y);
        float* to = weight.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) to[x] = 1.0f - bare[x];
    });
    box(w, weight, seen, radius);
    for (int kind = 0; kind < 2; ++kind) {
        w.rows(g.height, [&](int y) {
            const float *g0 = g.row(0, y), *g1 = g.row(1, y), *g2 = g.row(2, y);
            const float *c0 = s.clean.row(0, y), *c1 = s.clean.row(1, y), *c2 = s.clean.row(2, y);
            const float *each = weight.row(0, y), *vs = scale.row(0, y);
            const float from = kind ? 0.0f : 1.0f;
            float* to = made.row(0, y);
            const long long plane = made.size();
            VECTORISED for (int x = 0; x < width; ++x) {
                const float size = 1.0f / sqrtf(vs[x]), share = each[x];
                const float a = (g0[x] - from * c0[x]) * size, b = (g1[x] - from * c1[x]) * size;
                const float c = (g2[x] - from * c2[x]) * size;
                const float aw = a * share, bw = b * share, cw = c * share;
                to[x] = aw, to[x + plane] = bw, to[x + 2 * plane] = cw;
                to[x + 3 * plane] = (a * a + b * b + c * c) * share;
                to[x + 4 * plane] = a * aw, to[x + 5 * plane] = b * bw, to[x + 6 * plane] = c * cw;
                to[x + 7 * plane] = a * bw, to[x + 8 * plane] = a * cw, to[x + 9 * plane] = b * cw;
            }
        });
        box(w, made, mean, radius);
        w.rows(g.height, [&](int y) {
            const float *m = mean.row(0, y), *all = seen.row(0, y);
            const long long plane = mean.size();
            float* to = out.row(0, y);
            VECTORISED for (int x = 0; x < width; ++x) {
                const float inverse = 1.0f / fmaxf(all[x], 1e-4f);
                const float a = m[x] * inverse, b = m[x + plane] * inverse;
                const float c = m[x + 2 * plane] * inverse;
                const float along = a * a * m[x + 4 * plane] + b * b * m[x + 5 * plane]
                                    + c * c * m[x + 6 * plane]
                                    + 2.0f * (a * b * m[x + 7 * plane] + a * c * m[x + 8 * plane]
                                              + b * c * m[x + 9 * plane]);
                const float off = m[x + 3 * plane] * inverse
                                  - along * inverse / fmaxf(a * a + b * b + c * c, 1e-6f);
                const float value = fmaxf(off - 2.0f, 0.0f) + 1.0f;
                to[x] = kind ? clamped(natural_log(to[x] / value), -5.0f, 5.0f) : value;
            }
        });
    }
}

void solid_logit(Passes& w, const Settings& o, const Signals& s, const Stack& out) {
    Held held(w);
    const int width = s.plate.width;
    const Stack g = w.like(s.plate, 3), gv = w.like(s.plate, 3), v = w.like(s.plate, 1);
    const Stack near = w.like(s.plate, 1), wide = w.like(s.plate, 1);
    const Stack share = w.like(s.plate, 2), mean = w.like(s.plate, 2);
    gaussian(w, s.plate, g, 1.0);
    gaussian(w, s.variance, gv, 1.0);
    w.rows(s.plate.height, [&](int y) {
        const float *v0 = gv.row(0, y), *v1 = gv.row(1, y), *v2 = gv.row(2, y);
        const float *c0 = s.clean.row(0, y), *c1 = s.clean.row(1, y), *c2 = s.clean.row(2, y);
        const float* given = s.share.row(0, y);
        float *to = v.row(0, y), *held_share = mean.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            const float level = c0[x] * c0[x] + c1[x] * c1[x] + c2[x] * c2[x];
            to[x] = ((v0[x] + v1[x] + v2[x]) / 12.6f + 1.6e-5f * level) / 3.0f;
            held_share[x] = clamped(given[x], -1.0f, 2.0f);
        }
    });
    shading_line(w, s, g, v, 3, near);
    shading_line(w, s, g, v, 20, wide);
    gaussian(w, mean.part(0, 1), share.part(0, 1), 1.0);
    w.rows(s.plate.height, [&](int y) {
        const float* a = share.row(0, y);
        float* to = share.row(1, y);
        VECTORISED for (int x = 0; x < width; ++x) to[x] = a[x] * a[x];
    });
    box(w, share, mean, 3);
    w.rows(s.plate.height, [&](int y) {
        const Channels c = o.order;
        const float *gk = g.row(c.k, y), *gi = g.row(c.i, y), *gj = g.row(c.j, y);
        const float *ck = s.clean.row(c.k, y), *ci = s.clean.row(c.i, y), *cj = s.clean.row(c.j, y);
        const float *m = mean.row(0, y), *square = mean.row(1, y), *a = share.row(0, y);
        const float *n = near.row(0, y), *far = wide.row(0, y), *bare = s.bare.row(0, y);
        float* to = out.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            const float likely = clamp01(
                likely_alpha(c.k, {gk[x], gi[x], gj[x]}, {ck[x], ci[x], cj[x]}));
            const float rough = sqrtf(fmaxf(square[x] - m[x] * m[x], 0.0f));
            const float logit = -4.8f + 0.88f * n[x] + 0.40f * far[x] + 5.0f * clamp01(a[x])
                                + 2.2f * likely - 3.5f * fminf(rough, 0.5f) + o.solidity;
            to[x] = bare[x] > 0.5f ? -6.0f : logit;
        }
    });
}

// A row with its ends repeated: `margin` values before and behind it.
DEVICE void put_line(const float* from, int width, int margin, float* line) {
    __builtin_memcpy(line + margin, from, width * sizeof(float));
    for (int x = 0; x < margin; ++x)
        line[x] = from[0], line[margin + width + x] = from[width - 1];
}

// Jacobi steps at offsets 1, 2, 4 and 8: neighbours of like colour agree. In place.
void spread(Passes& w, const Signals& s, const Stack& logit) {
    constexpr int REACH = 8, MOVES = 16;
    static const int DY[4] = {0, 1, 0, -1}, DX[4] = {1, 0, -1, 0};
    Held held(w);
    const int width = s.plate.width, height = s.plate.height;
    const Stack g = w.like(s.plate, 3), v = w.like(s.plate, 3), weights = w.like(s.plate, MOVES);
    const Stack start = w.like(logit, 1), other = w.like(logit, 1);
    gaussian(w, s.plate, g, 1.0);
    gaussian(w, s.variance, v, 3.0);
    w.rows(3 * height, [&](int at) {
        float* to = g.row(0, at);
        const float* its = v.row(0, at);
        VECTORISED for (int x = 0; x < width; ++x) to[x] = 3.0f * to[x] / sqrtf(its[x]);
    });
    w.bands(height, 8, [&](int y0, int y1) {
        Scratch<float> memory(3LL * (width + 2 * REACH));
        if (!memory.at) return w.failure.note();
        for (int y = y0; y < y1; ++y) {
            for (int n = 0; n < MOVES; ++n) {
                const int far = 1 << n / 4, dx = far * DX[n % 4];
                const int row = min(max(y + far * DY[n % 4], 0), height - 1);
                const float* there[3];
                for (int c = 0; c < 3; ++c) {
                    float* line = memory.at + c * (width + 2 * REACH);
                    put_line(g.row(c, row), width, REACH, line);
                    there[c] = line + REACH + dx;
                }
                const float *t0 = there[0], *t1 = there[1], *t2 = there[2];
                const float *g0 = g.row(0, y), *g1 = g.row(1, y), *g2 = g.row(2, y);
                float* to = weights.row(n, y);
                VECTORISED for (int x = 0; x < width; ++x) {
                    const float a = t0[x] - g0[x], b = t1[x] - g1[x], c = t2[x] - g2[x];
                    to[x] = falling((a * a + b * b + c * c) * (-1.0f / 162.0f));
                }
            }
        }
    });
    w.rows(height, [&](int y) {
        __builtin_memcpy(start.row(0, y), logit.row(0, y), width * sizeof(float));
        __builtin_memcpy(other.row(0, y), logit.row(0, y), width * sizeof(float));
    });
    for (int round = 0; round < 3; ++round) {
        const Stack& from = round % 2 ? logit : other;
        const Stack& to = round % 2 ? other : logit;
        w.bands(height, 8, [&](int y0, int y1) {
            Scratch<float> memory(3LL * width + 2 * REACH);
            if (!memory.at) return w.failure.note();
            float *line = memory.at, *sum = line + width + 2 * REACH, *total = sum + width;
            for (int y = y0; y < y1; ++y) {
                const float* own = start.row(0, y);
                VECTORISED for (int x = 0; x < width; ++x) sum[x] = 0.35f * own[x], total[x] = 0.35f;
                for (int n = 0; n < MOVES; ++n) {
                    const int far = 1 << n / 4, dx = far * DX[n % 4];
                    const int row = min(max(y + far * DY[n % 4], 0), height - 1);
                    put_line(from.row(0, row), width, REACH, line);
                    const float *there = line + REACH + dx, *weight = weights.row(n, y);
                    VECTORISED for (int x = 0; x < width; ++x) {
                        sum[x] += weight[x] * there[x];
                        total[x] += weight[x];
                    }
                }
                float* out = to.row(0, y);
                VECTORISED for (int x = 0; x < width; ++x) out[x] = sum[x] / total[x];
            }
        });
    }
}

// out[y][x] = from[y + dy][x + dx], or `outside`.
DEVICE void shifted_row(const Stack& from, int n, int y, int dy, int dx, float outside, float* out) {
    const int width = from.width, row = y + dy;
    if (row < 0 || row >= from.height || dx >= width || -dx >= width) {
        for (int x = 0; x < width; ++x) out[x] = outside;
        return;
    }
    const int first = max(-dx, 0), end = width - max(dx, 0);
    for (int x = 0; x < first; ++x) out[x] = outside;
    for (int x = end; x < width; ++x) out[x] = outside;
    __builtin_memcpy(out + first, from.row(n, row) + first + dx, (end - first) * sizeof(float));
}

// The .12 quantile over sixteen rays of the largest `solid` before the screen shows.
void enclosed(Passes& w, const Stack& solid, const Stack& bare, const Stack& out) {
    static const int RAYS[16][2] = {{0, 1}, {1, 2}, {1, 1}, {2, 1}, {1, 0}, {2, -1}, {1, -1}, {1, -2},
                                    {0, -1}, {-1, -2}, {-1, -1}, {-2, -1}, {-1, 0}, {-2, 1}, {-1, 1},
                                    {-1, 2}};
    Held held(w);
    const int h = parts(solid.height, 2), width = parts(solid.width, 2);
    const Stack p = w.take(1, h, width), o = w.take(1, h, width), low = w.take(1, h, width);
    const Stack best = w.take(32, h, width), open = w.take(32, h, width);
    reduced(w, solid, p, 2, 2);
    reduced(w, bare, o, 2, 2);
    w.rows(h, [&](int y) {
        float* to = o.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) to[x] = 1.0f - to[x];
    });
    w.pieces(16, [&](int ray) {
        Scratch<float> memory(2LL * width);
        if (!memory.at) return w.failure.note();
        float *b = memory.at, *c = b + width;
        for (int y = 0; y < h; ++y) {
            const float *ps = p.row(0, y), *os = o.row(0, y);
            float *bs = best.row(2 * ray, y), *cs = open.row(2 * ray, y);
            VECTORISED for (int x = 0; x < width; ++x) bs[x] = os[x] * ps[x], cs[x] = os[x];
        }
        for (int n = 0; n < 6; ++n) {
            const int from = 2 * ray + n % 2, to = 2 * ray + 1 - n % 2;
            const int dy = RAYS[ray][0] << n, dx = RAYS[ray][1] * (1 << n);
            for (int y = 0; y < h; ++y) {
                shifted_row(best, from, y, dy, dx, 0.0f, b);
                shifted_row(open, from, y, dy, dx, 0.0f, c);
                const float *bs = best.row(from, y), *cs = open.row(from, y);
                float *to_b = best.row(to, y), *to_c = open.row(to, y);
                VECTORISED for (int x = 0; x < width; ++x) {
                    to_b[x] = fmaxf(bs[x], cs[x] * b[x]);
                    to_c[x] = cs[x] * c[x];
                }
            }
        }
    });
    w.rows(h, [&](int y) {   // six joins end in the first of the two
        float* to = low.row(0, y);
        const float* b = best.row(0, y);
        const long long ray = 2 * best.size();
        VECTORISED for (int x = 0; x < width; ++x) {
            float first = INFINITY, second = INFINITY, third = INFINITY;
            for (int n = 0; n < 16; ++n) {
                const float v = b[x + n * ray];
                third = fminf(third, fmaxf(second, v));
                second = fminf(second, fmaxf(first, v));
                first = fminf(first, v);
            }
            to[x] = third;
        }
    });
    enlarged(w, low, 2, 2, 0, 0, out);
}

// The posterior of solid, and the same held to places 7 px thick.
void solid_posterior(Passes& w, const Settings& o, const Signals& s, const Stack& solid,
                     const Stack& inside) {
    Held held(w);
    const int width = solid.width, height = solid.height;
    const Stack logit = w.like(solid, 1), p = w.like(solid, 1), raised = w.like(solid, 1);
    const Stack away = w.like(solid, 1), one = w.like(solid, 1), two = w.like(solid, 1);
    solid_logit(w, o, s, logit);
    spread(w, s, logit);
    w.rows(height, [&](int y) {
        const float *l = logit.row(0, y), *bare = s.bare.row(0, y);
        float *to = p.row(0, y), *open = one.row(0, y), *sum = away.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            to[x] = logistic(l[x]) * (1.0f - bare[x]);
            open[x] = 1.0f - bare[x];
            sum[x] = 0.0f;
        }
    });
    enclosed(w, p, s.bare, raised);
    for (int r = 1; r <= 8; ++r) {
        const Stack &from = r % 2 ? one : two, &to = r % 2 ? two : one;
        least(w, from, to, 1);
        w.rows(height, [&](int y) {
            float* sum = away.row(0, y);
            const float* v = to.row(0, y);
            VECTORISED for (int x = 0; x < width; ++x) sum[x] += v[x];
        });
    }
    w.rows(height, [&](int y) {
        const float *l = logit.row(0, y), *a = away.row(0, y), *q = p.row(0, y);
        const float* r = raised.row(0, y);
        float* to = solid.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            const float most = fminf(r[x], logistic(l[x] + 3.0f));
            to[x] = fmaxf(q[x], most * soft_step(a[x], 2.0f, 5.0f));
        }
    });
    opened(w, solid, inside, 3);
    w.rows(height, [&](int y) {
        const float* q = solid.row(0, y);
        float* to = inside.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) to[x] = fminf(q[x], to[x]);
    });
}

// Pass 11, recordings with subsampled chroma: kernels/reference/unmix/chroma.py.
#pragma once

struct Recorded {
    float luma, blue, red;
};

DEVICE float coded(float v) { return powf(fmaxf(v, 0.0f), 1.0f / 2.4f); }

// Luma and two colour differences of a working-linear colour, near as recorded.
DEVICE Recorded recorded(float r, float g, float b) {
    const float cr = coded(1.70505f * r - 0.62179f * g - 0.08326f * b);
    const float cg = coded(-0.13026f * r + 1.14080f * g - 0.01055f * b);
    const float cb = coded(-0.02400f * r - 0.12897f * g + 1.15297f * b);
    const float luma = 0.2126f * cr + 0.7152f * cg + 0.0722f * cb;
    return {luma, (cb - luma) * (1.0f / 1.8556f), (cr - luma) * (1.0f / 1.5748f)};
}

// As the recording blurs chroma.
void chroma_blurred(Passes& w, const Stack& from, int rows, int columns, const Stack& to) {
    Held held(w);
    const Stack small = w.take(from.count, parts(from.height, rows), parts(from.width, columns));
    reduced(w, from, small, rows, columns);
    enlarged(w, small, rows, columns, 0, 0, to);
}

// Alpha that explains the full luma and, blurred as recorded, the chroma: three rounds.
void sharpened(Passes& w, const Stack& start, const Stack& spread, const Stack& colour,
               const Stack& plate, const Stack& clean, int rows, int columns, const Stack& alpha) {
    Held held(w);
    const int width = alpha.width, h = alpha.height;
    const long long plane = alpha.size();
    const Stack target = w.like(alpha, 3), scales = w.like(alpha, 2), level = w.like(alpha, 1);
    const Stack bright = w.like(alpha, 1), here = w.like(alpha, 3), change = w.like(alpha, 3);
    const Stack chroma = w.like(alpha, 2), pull = w.like(alpha, 1), soft = w.like(alpha, 1);
    w.rows(h, [&](int y) {
        const float *p = plate.row(0, y), *f = colour.row(0, y), *a = start.row(0, y);
        float *t = target.row(0, y), *most = level.row(0, y), *scale = scales.row(0, y);
        float* to = alpha.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            const Recorded r = recorded(p[x], p[x + plane], p[x + 2 * plane]);
            t[x] = r.luma, t[x + plane] = r.blue, t[x + 2 * plane] = r.red;
            most[x] = max3(p[x], p[x + plane], p[x + 2 * plane]);
            const float luma = recorded(f[x], f[x + plane], f[x + 2 * plane]).luma;
            const float uneven = 0.1f * luma * sqrtf(a[x]);
            scale[x] = 1.0f / (4e-4f + uneven * uneven);
            to[x] = a[x];
        }
    });
    greatest(w, level, bright, 2);
    w.rows(h, [&](int y) {
        const float *b = bright.row(0, y), *v = spread.row(0, y);
        float* inertia = scales.row(1, y);
        VECTORISED for (int x = 0; x < width; ++x)
            inertia[x] = 1.0f / ((v[x] + 4e-4f) * (1.0f - 0.99f * soft_step(b[x], 0.8f, 1.2f)));
    });
    for (int round = 0; round < 3; ++round) {
        w.rows(h, [&](int y) {
            const float *f = colour.row(0, y), *c = clean.row(0, y), *a = alpha.row(0, y);
            float *now = here.row(0, y), *d = change.row(0, y);
            VECTORISED for (int x = 0; x < width; ++x) {
                const float own = a[x], left = 1.0f - own;
                const float f0 = f[x], f1 = f[x + plane], f2 = f[x + 2 * plane];
                const float c0 = c[x], c1 = c[x + plane], c2 = c[x + 2 * plane];
                const float m0 = own * f0 + left * c0, m1 = own * f1 + left * c1;
                const float m2 = own * f2 + left * c2;
                const Recorded r = recorded(m0, m1, m2);
                const Recorded s = recorded(m0 + 0.05f * (f0 - c0), m1 + 0.05f * (f1 - c1),
                                            m2 + 0.05f * (f2 - c2));
                now[x] = r.luma, now[x + plane] = r.blue, now[x + 2 * plane] = r.red;
                d[x] = (s.luma - r.luma) * 20.0f;
                d[x + plane] = (s.blue - r.blue) * 20.0f;
                d[x + 2 * plane] = (s.red - r.red) * 20.0f;
            }
        });
        chroma_blurred(w, here.part(1, 2), rows, columns, chroma);
        w.rows(h, [&](int y) {
            const float *t = target.row(0, y), *b = chroma.row(0, y), *d = change.row(0, y);
            float* to = pull.row(0, y);
            VECTORISED for (int x = 0; x < width; ++x)
                to[x] = d[x + plane] * (t[x + plane] - b[x])
                        + d[x + 2 * plane] * (t[x + 2 * plane] - b[x + plane]);
        });
        chroma_blurred(w, pull, rows, columns, soft);
        w.rows(h, [&](int y) {
            const float *t = target.row(0, y), *now = here.row(0, y), *d = change.row(0, y);
            const float *back = soft.row(0, y), *first = start.row(0, y);
            const float *luma = scales.row(0, y), *inertia = scales.row(1, y);
            float* a = alpha.row(0, y);
            VECTORISED for (int x = 0; x < width; ++x) {
                const float d0 = d[x], d1 = d[x + plane], d2 = d[x + 2 * plane];
                const float step = d0 * (t[x] - now[x]) * luma[x] + back[x] * 400.0f
                                   + (first[x] - a[x]) * inertia[x];
                const float stiff = d0 * d0 * luma[x] + (d1 * d1 + d2 * d2) * 400.0f + inertia[x];
                a[x] = clamp01(a[x] + step / stiff);
            }
        });
    }
}

// Pass 6: kernels/reference/unmix/screen.py.
#pragma once

// Folds and shadows: one factor on the clean plate, and where it holds. out: factor, share.
void shaded_screen(Passes& w, const Signals& s, const Stack& near, const Stack& out) {
    Held held(w);
    const int width = near.width;
    const long long plane = near.size();
    const Stack g = w.like(near, 3), t = w.like(near, 1), apart = w.like(near, 4), soft = w.like(near, 4);
    const Stack fits = w.like(near, 2), mean = w.like(near, 2);
    gaussian(w, s.plate, g, 1.0);
    w.rows(near.height, [&](int y) {
        const float *p = s.plate.row(0, y), *c = s.clean.row(0, y), *v = s.variance.row(0, y);
        const float* blurred = g.row(0, y);
        float *to = t.row(0, y), *off = apart.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            float above = 0.0f, below = 0.0f, chi = 0.0f;
            for (int n = 0; n < 3; ++n) {
                const float clean = c[x + n * plane];
                const float share = clean / (v[x + n * plane] + 1.6e-5f * clean * clean);
                above += share * blurred[x + n * plane];
                below += share * clean;
            }
            const float factor = above / below;
            for (int n = 0; n < 3; ++n) {
                const float clean = c[x + n * plane], left = p[x + n * plane] - factor * clean;
                off[x + n * plane] = left;
                chi += left * left / (v[x + n * plane] + 1.6e-5f * clean * clean);
            }
            off[x + 3 * plane] = chi;
            to[x] = factor;
        }
    });
    gaussian(w, apart.part(0, 3), soft.part(0, 3), 2.5);
    gaussian(w, apart.part(3, 1), soft.part(3, 1), 2.0);
    const Stack holds = fits.part(0, 1), open = fits.part(1, 1);
    w.rows(near.height, [&](int y) {
        const float *c = s.clean.row(0, y), *v = s.variance.row(0, y), *shift = soft.row(0, y);
        const float *factor = t.row(0, y), *beside = near.row(0, y);
        float* to = open.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            float tint = 0.0f;
            for (int n = 0; n < 3; ++n) {
                const float clean = c[x + n * plane];
                const float its = (v[x + n * plane] + 1.6e-5f * clean * clean) / 40.0f
                                  + 3.6e-5f * clean * clean;
                tint += shift[x + n * plane] * shift[x + n * plane] / its;
            }
            const float lowest = 0.5f + 0.35f * beside[x];
            to[x] = soft_step(-shift[x + 3 * plane], -7.0f, -4.5f)
                    * soft_step(factor[x], lowest, lowest + 0.05f)
                    * soft_step(-factor[x], -1.2f, -1.1f) * soft_step(-tint, -9.0f, -5.0f);
        }
    });
    opened(w, open, holds, 2);
    w.rows(near.height, [&](int y) {
        const float *f = holds.row(0, y), *factor = t.row(0, y);
        float *share = out.row(1, y), *both = open.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) both[x] = f[x] * factor[x], share[x] = f[x];
    });
    gaussian(w, fits, mean, 1.0);
    w.rows(near.height, [&](int y) {
        const float *f = mean.row(0, y), *both = mean.row(1, y);
        float* to = out.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) to[x] = both[x] / fmaxf(f[x], 1e-3f);
    });
}

// Panels and falling light that the fit has missed. ratio: factors of three channels; fits: where.
void dimmer_screen(Passes& w, const Signals& s, const Stack& near, const Stack& ratio, const Stack& fits) {
    Held held(w);
    const int width = near.width;
    const long long plane = near.size();
    const Stack g = w.like(near, 3), rough = w.like(near, 1), soft = w.like(near, 1);
    gaussian(w, s.plate, g, 3.0);
    w.rows(near.height, [&](int y) {
        const float *p = s.plate.row(0, y), *c = s.clean.row(0, y), *v = s.variance.row(0, y);
        const float* blurred = g.row(0, y);
        float *to = ratio.row(0, y), *off = rough.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            float sum = 0.0f;
            for (int n = 0; n < 3; ++n) {
                const float left = p[x + n * plane] - blurred[x + n * plane];
                sum += left * left / v[x + n * plane];
                to[x + n * plane] = blurred[x + n * plane] / c[x + n * plane];
            }
            off[x] = sum / 3.0f;
        }
    });
    gaussian(w, rough, soft, 2.0);
    w.rows(near.height, [&](int y) {
        const float *r = ratio.row(0, y), *off = soft.row(0, y), *beside = near.row(0, y);
        float* to = rough.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            const float low = min3(r[x], r[x + plane], r[x + 2 * plane]);
            const float high = max3(r[x], r[x + plane], r[x + 2 * plane]);
            const float some = fmaxf(low, 0.5f);
            to[x] = soft_step(low, 0.5f, 0.55f) * soft_step(-high, -1.03f, -1.0f)
                    * soft_step(-high, -1.35f * some, -1.25f * some)
                    * soft_step(-off[x], -1.8f, -1.4f)
                    * (1.0f - beside[x]);
        }
    });
    opened(w, rough, soft, 4);
    gaussian(w, soft, fits, 2.0);
}

// Factors (3) on the clean plate where a pixel is the screen, lit otherwise.
void screen_light(Passes& w, const Signals& s, const Stack& solid, const Stack& light) {
    Held held(w);
    const int width = solid.width;
    const Stack near = w.like(solid, 1), grown = w.like(solid, 1), level = w.like(solid, 2);
    const Stack ratio = w.like(solid, 3), also = w.like(solid, 1);
    greatest(w, solid, grown, 8);
    gaussian(w, grown, near, 4.0);
    w.rows(solid.height, [&](int y) {
        float* v = near.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) v[x] = clamp01(2.0f * v[x]);
    });
    shaded_screen(w, s, near, level);
    dimmer_screen(w, s, near, ratio, also);
    w.rows(3 * solid.height, [&](int at) {
        const int y = at % solid.height;
        const float *t = level.row(0, y), *fits = level.row(1, y), *share = also.row(0, y);
        const float* colour = ratio.row(0, at);
        float* to = light.row(0, at);
        VECTORISED for (int x = 0; x < width; ++x) {
            const float plain = 1.0f + fits[x] * (t[x] - 1.0f);
            to[x] = plain + (1.0f - fits[x]) * share[x] * (colour[x] - plain);
        }
    });
}

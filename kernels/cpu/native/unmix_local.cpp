// Unmixing's passes on the full picture or a part of it: kernels/reference/unmix/method.py, `local`.
#define VERDIGRIS_WIDE "wide.hpp"
#undef PX
#define PX 16   // one vector of the widest processors: a pixel has much to remember here

#include "memory.hpp"
#include "pool.hpp"

EXPORTED int verdigris_unmix_mixture(Pool* pool, const void* given, unsigned);

namespace {

#include "unmix.cu"
#include "natural.cuh"
#include "unmix_passes.hpp"
#include "unmix_signals.hpp"
#include "unmix_chroma.hpp"

struct Planes {
    Stack alpha, spread, colour, through;   // of the mixture
};

// Places whose mixture changes nothing: bare within `reach`, or sure to be filled.
void leave_out(Passes& w, const Stack& bare, const Stack& inside, int reach, const Stack& skip) {
    Held held(w);
    const Stack low = w.like(bare, 1), sure = w.like(bare, 1);
    least(w, bare, low, reach);
    least(w, inside, sure, reach + 6);
    w.rows(bare.height, [&](int y) {
        const float *b = low.row(0, y), *s = sure.row(0, y);
        float* to = skip.row(0, y);
        VECTORISED for (int x = 0; x < bare.width; ++x)
            to[x] = b[x] >= 1.0f ? SKIP_BARE : (s[x] > 0.9901f ? SKIP_SOLID : 0.0f);
    });
}

void mixture(Passes& w, const LocalArgs& a, const Signals& s, const Stack& skip, const Planes& m) {
    if (w.dry) return;
    const auto at = [](const Stack& p) { return reinterpret_cast<u64>(p.at); };
    MixtureArgs g = {};
    g.plate = at(s.plate), g.clean = at(s.clean), g.variance = at(s.variance);
    g.share = at(s.share), g.snr = at(s.snr), g.skip = at(skip), g.candidates = a.candidates;
    g.alpha = at(m.alpha), g.spread = at(m.spread), g.colour = at(m.colour);
    g.through = at(m.through);
    g.stride = skip.size(), g.small_stride = (long long)a.small_width * a.small_height;
    g.pitch = g.width = a.width, g.height = a.height;
    g.small_pitch = g.small_width = a.small_width, g.small_height = a.small_height;
    g.factor = a.factor, g.top = a.top, g.left = a.left, g.count = a.count;
    g.shading = a.shading, g.clean_error = a.clean_error;
    for (int n = 0; n < MOST_CANDIDATES; ++n) g.tightness[n] = a.tightness[n];
    if (verdigris_unmix_mixture(w.pool, &g, 1)) w.failure.note();
}

// Share by which a pixel is solid after all. evidence: blurred, of see-through.
void solid_fill(Passes& w, const Planes& m, const Stack& inside, const Stack& fill) {
    Held held(w);
    const int width = fill.width;
    const Stack evidence = w.like(fill, 1), soft = w.like(fill, 1), low = w.like(fill, 1);
    w.rows(fill.height, [&](int y) {
        const float* t = m.through.row(0, y);
        float* to = soft.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) to[x] = clamped(t[x], -6.0f, 6.0f);
    });
    gaussian(w, soft, evidence, 1.0);
    gaussian(w, m.alpha, soft, 1.5);
    least(w, inside, low, 3);
    w.rows(fill.height, [&](int y) {
        const float *e = evidence.row(0, y), *p = inside.row(0, y), *a = m.alpha.row(0, y);
        const float *around = soft.row(0, y), *v = m.spread.row(0, y);
        float* sure = low.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            const float logit = -8.7f + 0.8f * log_odds(p[x]) - 2.0f * e[x] - 0.6f * log_odds(a[x])
                                + 0.7f * log_odds(around[x]) + 13.4f * sqrtf(v[x]);
            sure[x] = fmaxf(logistic(logit), soft_step(sure[x], 0.94f, 0.99f));
        }
    });
    gaussian(w, low, fill, 1.0);
    w.rows(fill.height, [&](int y) {
        const float *f = fill.row(0, y), *a = m.alpha.row(0, y);
        float* to = low.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) to[x] = a[x] + f[x] * (1.0f - a[x]);
    });
    gaussian(w, low, soft, 1.5);
    w.rows(fill.height, [&](int y) {
        const float *near = soft.row(0, y), *p = inside.row(0, y), *e = evidence.row(0, y);
        float* f = fill.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            const float share = soft_step(near[x], 0.88f, 0.96f) * soft_step(p[x], 0.1f, 0.5f);
            f[x] += share * logistic(1.0f - e[x]) * (1.0f - f[x]);
        }
    });
}

// alpha, straight F with the screen's light in it and without, the expected error, and how sure.
void results(Passes& w, const LocalArgs& a, const Signals& s, const Stack& plate, const Planes& m,
             const Stack& mix, const Stack& inside, const Stack& fill, const Stack& hue) {
    const int width = a.width;
    const long long plane = fill.size();
    const auto row = [&](u64 at, int y) { return reinterpret_cast<float*>(at) + (long long)y * width; };
    w.rows(a.height, [&](int y) {
        float *alpha = row(a.alpha, y), *sigma = row(a.sigma, y), *sure = row(a.sure, y);
        float* bare_out = row(a.bare, y);
        const float *bare = s.bare.row(0, y), *f = fill.row(0, y), *in = inside.row(0, y);
        const float *mixed = mix.row(0, y), *v = m.spread.row(0, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            const float open = 1.0f - bare[x];
            alpha[x] = clamp01((mixed[x] + f[x] * (1.0f - mixed[x])) * open);
            sigma[x] = sqrtf(v[x]) * (1.0f - f[x]) * open;
            sure[x] = fmaxf(bare[x], fabsf(2.0f * in[x] - 1.0f));
            bare_out[x] = bare[x];
        }
        const float *p = plate.row(0, y), *c = s.clean.row(0, y), *guess = m.colour.row(0, y);
        float* colour = row(a.colour, y);
        for (int n = 0; n < 3; ++n)
            VECTORISED for (int x = 0; x < width; ++x) {
                const float held = fmaxf(alpha[x], 0.02f), gain = clamp01((alpha[x] - 0.02f) / 0.10f);
                const float own = (p[x + n * plane] - (1.0f - held) * c[x + n * plane]) / held;
                colour[x + n * plane] =
                    guess[x + n * plane] + gain * (own - guess[x + n * plane]);
            }
        const long long k = a.k * plane, i = a.i * plane, j = a.j * plane;
        const float* own = hue.row(0, y);
        float* clear = row(a.despilled, y);
        VECTORISED for (int x = 0; x < width; ++x) {
            const float q = expf(own[x]), other = fmaxf(colour[x + i], colour[x + j]);
            const float screen = fmaxf(c[x + i], c[x + j]);
            const float over = fmaxf(c[x + k] - q * screen, 0.15f * c[x + k]);
            const float kappa =
                a.despill * clamp01((colour[x + k] - q * fmaxf(other, 0.0f)) / over);
            for (int n = 0; n < 3; ++n) {
                const float v0 = colour[x + n * plane], less = v0 - kappa * c[x + n * plane];
                clear[x + n * plane] = kappa > 0.0f ? fmaxf(less, fminf(v0, 0.0f)) : v0;
            }
        }
    });
}

void local(Passes& w, const LocalArgs& a) {
    const int h = a.height, width = a.width, f = a.factor;
    const auto small = [&](u64 at, int count) {
        return Stack{reinterpret_cast<float*>(at), count, a.small_height, a.small_width};
    };
    const Settings o = {{a.k, a.i, a.j},
                        {a.gain[0], a.gain[1], a.gain[2]},
                        {a.offset[0], a.offset[1], a.offset[2]},
                        a.clean_error,
                        0.0f};
    const Stack plate = w.take(3, h, width), pooled = w.take(3, h, width), clean = w.take(3, h, width);
    const Stack inside = w.take(1, h, width), hue = w.take(1, h, width), skip = w.take(1, h, width);
    const Stack given = {reinterpret_cast<float*>(a.plate), 3, h, width};
    const Stack behind = {reinterpret_cast<float*>(a.clean), 3, h, width};
    enlarged(w, small(a.light, 3), f, f, a.top, a.left, clean);
    enlarged(w, small(a.inside, 1), f, f, a.top, a.left, inside);
    enlarged(w, small(a.hue, 1), f, f, a.top, a.left, hue);
    w.rows(3 * h, [&](int at) {
        const float *p = given.row(0, at), *c = behind.row(0, at);
        float *to = plate.row(0, at), *copy = pooled.row(0, at), *light = clean.row(0, at);
        VECTORISED for (int x = 0; x < width; ++x) {
            to[x] = copy[x] = held_finite(p[x]);
            light[x] *= fmaxf(held_finite(c[x]), 1e-6f);
        }
    });
    const Signals s = signals_like(w, pooled, clean);
    make_signals(w, o, s);
    const Planes m = {w.like(skip, 1), w.like(skip, 1), w.like(skip, 3), w.like(skip, 1)};
    const bool chroma = a.rows * a.columns > 1;
    leave_out(w, s.bare, inside, chroma ? 13 + 18 : 13, skip);
    mixture(w, a, s, skip, m);
    Stack mix = m.alpha;
    if (chroma) {
        mix = w.like(skip, 1);
        sharpened(w, m.alpha, m.spread, m.colour, plate, clean, a.rows, a.columns, mix);
    }
    const Stack fill = w.like(skip, 1);
    solid_fill(w, m, inside, fill);
    results(w, a, s, plate, m, mix, inside, fill, hue);
    w.rows(h, [&](int y) {
        float* to = reinterpret_cast<float*>(a.mixed) + (long long)y * width;
        __builtin_memcpy(to, m.alpha.row(0, y), width * sizeof(float));
    });
}

}  // namespace

// Rows of at least PX pixels. Tells how much memory it takes where there is none or too little: 2.
EXPORTED unsigned verdigris_size_unmix_local() { return sizeof(LocalArgs); }
EXPORTED int verdigris_unmix_local(Pool* pool, void* given, unsigned) {
    LocalArgs& a = *static_cast<LocalArgs*>(given);
    Passes counted = {pool, nullptr, true};
    local(counted, a);
    if (a.floats < counted.most) {
        a.floats = counted.most;
        return 2;
    }
    Passes w = {pool, reinterpret_cast<float*>(a.memory), false};
    local(w, a);
    return w.failure.seen;
}

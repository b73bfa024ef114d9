// Squares and Gaussians of unmix_passes.hpp, which includes this.
#pragma once

struct Least {
    DEVICE Wide first(Wide v) const { return v; }
    DEVICE Wide more(Wide low, Wide a, Wide b, int) const {
        return __builtin_elementwise_min(low, __builtin_elementwise_min(a, b));
    }
};
struct Greatest {
    DEVICE Wide first(Wide v) const { return v; }
    DEVICE Wide more(Wide high, Wide a, Wide b, int) const {
        return __builtin_elementwise_max(high, __builtin_elementwise_max(a, b));
    }
};

// 2 r + 1 values down, then along; the border is repeated. `from` and `to` differ.
template <class Kind>
void separable(Passes& w, const Stack& from, const Stack& to, int r, const Kind& kind) {
    const int h = from.height, width = from.width;
    w.bands(from.count * h, 8, [&](int first, int end) {
        Scratch<float> memory(width + 2 * r + 3 * STEP);
        if (!memory.at) return w.failure.note();
        float* line = memory.at + r;
        for (int at = first; at < end; ++at) {
            const int n = at / h, y = at % h;
            for (int x = 0; x < width; x += STEP) {
                const float* v = from.row(n, y) + x;
                Wide low = kind.first(wide_at(v)), high = kind.first(wide_at(v + LANES));
                for (int k = 1; k <= r; ++k) {
                    const float* a = from.row(n, max(y - k, 0)) + x;
                    const float* b = from.row(n, min(y + k, h - 1)) + x;
                    low = kind.more(low, wide_at(a), wide_at(b), k);
                    high = kind.more(high, wide_at(a + LANES), wide_at(b + LANES), k);
                }
                __builtin_memcpy(line + x, &low, sizeof low);
                __builtin_memcpy(line + x + LANES, &high, sizeof high);
            }
            for (int k = 1; k <= r; ++k) line[-k] = line[0], line[width - 1 + k] = line[width - 1];
            float* out = to.row(n, y);
            for (int x = 0; x < width; x += LANES) {
                Wide sum = kind.first(wide_at(line + x));
                for (int k = 1; k <= r; ++k)
                    sum = kind.more(sum, wide_at(line + x - k), wide_at(line + x + k), k);
                const int left = min(LANES, width - x);
                if (left == LANES) __builtin_memcpy(out + x, &sum, sizeof sum);
                else for (int p = 0; p < left; ++p) out[x + p] = sum[p];
            }
        }
    });
}

// e^x in double, for x <= 0.
inline double exact_exp(double x) {
    x /= 4096;
    double y = 1 + x * (1 + x / 2 * (1 + x / 3 * (1 + x / 4)));
    for (int n = 0; n < 12; ++n) y *= y;
    return y;
}

constexpr int LINES = 4, MOST_TAPS = 256;

// Weights of 2 r + 1 values, with zeros about them.
struct Taps {
    int r;
    float at[MOST_TAPS + 2 * LINES] = {};
    void put(int k, float v) { at[LINES - 1 + r + k] = at[LINES - 1 + r - k] = v; }
};

// Weighted sums down for LINES rows from y on: each value that is read serves them all. A row's sum has
// the same order wherever it stands among them.
DEVICE void sums_down(const Stack& from, int n, int y, const Taps& taps, float* lines, int pitch) {
    const int h = from.height, r = taps.r;
    for (int x = 0; x < from.width; x += STEP) {
        Wide sum[LINES][2] = {};
        for (int t = 0; t < 2 * r + LINES; ++t) {
            const float* v = from.row(n, min(max(y - r + t, 0), h - 1)) + x;
            const Wide low = wide_at(v), high = wide_at(v + LANES);
            for (int l = 0; l < LINES; ++l) {
                const float tap = taps.at[LINES - 1 + t - l];
                sum[l][0] += low * tap;
                sum[l][1] += high * tap;
            }
        }
        for (int l = 0; l < LINES; ++l) {
            __builtin_memcpy(lines + l * pitch + x, &sum[l][0], sizeof(Wide));
            __builtin_memcpy(lines + l * pitch + x + LANES, &sum[l][1], sizeof(Wide));
        }
    }
}

// And along a line, whose ends are repeated.
DEVICE void sums_along(float* line, int width, const Taps& taps, float* out) {
    const int r = taps.r;
    const float* tap = taps.at + LINES - 1 + r;
    for (int k = 1; k <= r; ++k) line[-k] = line[0], line[width - 1 + k] = line[width - 1];
    for (int x = 0; x < width; x += 2 * STEP) {
        const float* v = line + x;
        Wide sum[4];
        for (int p = 0; p < 4; ++p) sum[p] = wide_at(v + p * LANES) * tap[0];
        for (int k = 1; k <= r; ++k)
            for (int p = 0; p < 4; ++p)
                sum[p] += (wide_at(v + p * LANES - k) + wide_at(v + p * LANES + k)) * tap[k];
        if (width - x >= 2 * STEP) {
            __builtin_memcpy(out + x, sum, sizeof sum);
        } else {
            __builtin_memcpy(out + x, sum, (width - x) * sizeof(float));
        }
    }
}

void weighted(Passes& w, const Stack& from, const Stack& to, const Taps& taps) {
    const int h = from.height, width = from.width, r = taps.r, pitch = width + 2 * r + 3 * STEP;
    const int groups = parts(h, LINES);
    w.bands(from.count * groups, 2, [&](int first, int end) {
        Scratch<float> memory((long long)LINES * pitch);
        if (!memory.at) return w.failure.note();
        for (int at = first; at < end; ++at) {
            const int n = at / groups, y = at % groups * LINES;
            sums_down(from, n, y, taps, memory.at + r, pitch);
            for (int l = 0; l < LINES && y + l < h; ++l)
                sums_along(memory.at + r + l * pitch, width, taps, to.row(n, y + l));
        }
    });
}

// A Gaussian that reaches ceil(3 sigma) pixels.
void gaussian(Passes& w, const Stack& from, const Stack& to, double sigma) {
    constexpr int MOST = MOST_TAPS / 2;
    double exact[MOST], sum = 0;
    int r = 0;
    while (r < 3 * sigma && r < MOST - 1) ++r;
    for (int k = 0; k <= r; ++k)
        sum += (k ? 2 : 1) * (exact[k] = exact_exp(-k * k / (2 * sigma * sigma)));
    Taps taps = {r};
    for (int k = 0; k <= r; ++k) taps.put(k, (float)(exact[k] / sum));
    weighted(w, from, to, taps);
}

// The mean of a square of 2 r + 1 pixels a side.
void box(Passes& w, const Stack& from, const Stack& to, int r) {
    Taps taps = {r};
    for (int k = 0; k <= r; ++k) taps.put(k, 1.0f / (2 * r + 1));
    weighted(w, from, to, taps);
}
void least(Passes& w, const Stack& from, const Stack& to, int r) { separable(w, from, to, r, Least{}); }
void greatest(Passes& w, const Stack& from, const Stack& to, int r) {
    separable(w, from, to, r, Greatest{});
}
void opened(Passes& w, const Stack& from, const Stack& to, int r) {
    Held held(w);
    const Stack low = w.like(from, from.count);
    least(w, from, low, r);
    greatest(w, low, to, r);
}

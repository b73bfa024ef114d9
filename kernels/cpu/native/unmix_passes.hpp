// What unmixing is built from on the processor: planes without padding, in memory that is given; blurs,
// extremes of squares, reduced and enlarged planes, row by row over the pool. Included inside a namespace
// without a name, behind compat.cuh. Results do not depend on how many threads there are.
#pragma once

typedef float Wide __attribute__((vector_size(64), aligned(4)));
constexpr int LANES = 16, STEP = 2 * LANES;

DEVICE Wide wide_at(const float* at) {
    Wide v;
    __builtin_memcpy(&v, at, sizeof v);
    return v;
}

// `count` planes of height x width values.
struct Stack {
    float* at;
    int count, height, width;
    long long size() const { return (long long)height * width; }
    float* row(int n, int y) const { return at + n * size() + (long long)y * width; }
    Stack part(int first, int n) const { return {at + first * size(), n, height, width}; }
};

// Memory and threads of one call. A dry one only counts how much memory it would take.
struct Passes {
    Pool* pool;
    float* memory;
    bool dry;
    long long used = 0, most = 0;   // floats
    Failure failure;

    Stack take(int count, int height, int width) {
        Stack s = {memory + used, count, height, width};
        used += (count * s.size() + 2 * STEP + 15) / 16 * 16;   // blurs read a little behind the end
        most = used > most ? used : most;
        return s;
    }
    Stack like(const Stack& s, int count) { return take(count, s.height, s.width); }

    // body(y0, y1) for bands of rows.
    template <class Body>
    void bands(int height, int least, const Body& body) {
        if (!dry) each_band(pool, 0, height, least, body);
    }
    template <class Body>
    void rows(int height, const Body& body) {
        bands(height, 8, [&](int y0, int y1) {
            for (int y = y0; y < y1; ++y) body(y);
        });
    }
    template <class Body>
    void pieces(int count, const Body& body) {
        if (!dry) each_strip(pool, 0, count, 1, [&](int n, int) { body(n); });
    }
};

// Gives back what was taken since.
struct Held {
    Passes& work;
    long long used;
    explicit Held(Passes& w) : work(w), used(w.used) {}
    ~Held() { work.used = used; }
};

constexpr float LARGEST = 1e4f;

// Not-a-number counts as 0.
DEVICE float held_finite(float v) { return v != v ? 0.0f : clamped(v, -LARGEST, LARGEST); }

DEVICE float soft_step(float x, float low, float high) { return clamp01((x - low) / (high - low)); }
DEVICE float logistic(float x) { return 1.0f / (1.0f + expf(-clamped(x, -30.0f, 30.0f))); }
DEVICE float log_odds(float p) {
    const float held = clamped(p, 0.002f, 0.998f);
    return natural_log(held / (1.0f - held));
}

int parts(int length, int factor) { return (length + factor - 1) / factor; }

// ---------------------------------------------------------------- squares and Gaussians

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

// ---------------------------------------------------------------- sizes

// Means over `rows` x `columns` pixels of what value(n, y, x) gives; the border is repeated.
template <class Value>
void reduced_of(Passes& w, int height, int width, int rows, int columns, const Stack& to,
                const Value& value) {
    w.bands(to.count * to.height, 4, [&](int first, int end) {
        const float share = 1.0f / (rows * columns);
        Scratch<float> memory((long long)to.width * columns);
        if (!memory.at) return w.failure.note();
        for (int at = first; at < end; ++at) {
            const int n = at / to.height, y = at % to.height;
            float *out = to.row(n, y), *sum = memory.at;
            for (int dy = 0; dy < rows; ++dy) {
                const int v = min(y * rows + dy, height - 1);
                if (dy == 0) VECTORISED for (int x = 0; x < width; ++x) sum[x] = value(n, v, x);
                else VECTORISED for (int x = 0; x < width; ++x) sum[x] += value(n, v, x);
            }
            for (int x = width; x < to.width * columns; ++x) sum[x] = sum[width - 1];
            if (columns == 2) {
                VECTORISED for (int x = 0; x < to.width; ++x)
                    out[x] = (sum[2 * x] + sum[2 * x + 1]) * share;
                continue;
            }
            for (int x = 0; x < to.width; ++x) {
                float total = 0.0f;
                for (int dx = 0; dx < columns; ++dx) total += sum[x * columns + dx];
                out[x] = total * share;
            }
        }
    });
}

void reduced(Passes& w, const Stack& from, const Stack& to, int rows, int columns) {
    reduced_of(w, from.height, from.width, rows, columns, to,
               [&](int n, int y, int x) { return from.row(n, y)[x]; });
}

// What lies between the centres of columns i - 1 and i, i = 0 .. count: `factor` values each.
template <int FACTOR>
void stretch(const float* in, int count, float* out) {
    VECTORISED for (int i = 0; i <= count; ++i)
        for (int k = 0; k < FACTOR; ++k)
            out[i * FACTOR + k] = mix(in[i], in[i + 1], (k + 0.5f) / FACTOR);
}

// in: count + 2 values, one before the first and one behind the last. out: (count + 1) factor values; the
// first value of `in` that counts as a pixel's centre lies at factor / 2.
void stretch_any(int factor, const float* in, int count, float* out) {
    switch (factor) {
        case 1: VECTORISED for (int i = 0; i <= count; ++i) out[i] = in[i]; return;
        case 2: return stretch<2>(in, count, out);
        case 4: return stretch<4>(in, count, out);
        case 8: return stretch<8>(in, count, out);
        default: break;
    }
    for (int i = 0; i <= count; ++i)
        for (int k = 0; k < factor; ++k)
            out[i * factor + k] = mix(in[i], in[i + 1], (k + 0.5f) / factor);
}

// Where stretched values from column `first` - 1 on begin, in pixels of the larger picture.
int stretched_from(int first, int factor) {
    return factor == 1 ? first - 1 : (first - 1) * factor + factor / 2;
}

// The part of planes `rows` and `factor` times as large that begins at (top, left); as large as `to`.
void enlarged(Passes& w, const Stack& from, int rows, int factor, int top, int left, const Stack& to) {
    w.bands(to.count * to.height, 8, [&](int begin, int end) {
        const int first = left / factor, last = (left + to.width - 1) / factor;
        const int count = last - first + 1, skip = left - stretched_from(first, factor);
        Scratch<float> memory(count + 2 + (count + 1) * factor);
        if (!memory.at) return w.failure.note();
        float *in = memory.at, *line = in + count + 2;
        for (int at = begin; at < end; ++at) {
            const int n = at / to.height, y = at % to.height;
            const Between b = between(top + y, rows, from.height);
            const float *low = from.row(n, b.low), *high = from.row(n, b.high);
            const int whole = min(count, from.width - first);
            VECTORISED for (int i = 0; i < whole; ++i)
                in[i + 1] = mix(low[first + i], high[first + i], b.share);
            const int before = max(first - 1, 0), after = min(first + whole, from.width - 1);
            in[0] = mix(low[before], high[before], b.share);
            for (int i = whole; i < count + 1; ++i) in[i + 1] = mix(low[after], high[after], b.share);
            stretch_any(factor, in, count, line);
            __builtin_memcpy(to.row(n, y), line + skip, to.width * sizeof(float));
        }
    });
}

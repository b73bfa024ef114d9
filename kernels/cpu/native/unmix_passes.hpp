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

#include "unmix_blurs.hpp"

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

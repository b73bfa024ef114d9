// The separable Gaussian of kernels/cuda/blur.cu: the same taps and border, 64 outputs at a time.
#define VERDIGRIS_WIDE "wide.hpp"

#include "memory.hpp"
#include "pool.hpp"

namespace {

#include "blur.cu"

typedef float Wide __attribute__((vector_size(64), aligned(4)));
constexpr int LANES = 16, STEP = 4 * LANES, LINES = 4;

DEVICE Wide wide_at(const float* at) {
    Wide v;
    __builtin_memcpy(&v, at, sizeof v);
    return v;
}
DEVICE void put(float* at, Wide v) { __builtin_memcpy(at, &v, sizeof v); }

// A row with its ends repeated: r values before it, and enough behind it.
void fill_line(const BlurArgs& a, long long row, int count, float* line) {
    const int r = a.radius;
    if (a.source_half) {
        const u16* from = reinterpret_cast<const u16*>(a.source) + row + a.x0;
        VECTORISED for (int x = 0; x < count; ++x) line[r + x] = float_from_half(from[x]);
    } else {
        const float* from = reinterpret_cast<const float*>(a.source) + row + a.x0;
        VECTORISED for (int x = 0; x < count; ++x) line[r + x] = from[x];
    }
    for (int x = 0; x < r; ++x) line[x] = line[r];
    for (int x = r + count; x < 2 * r + count + STEP; ++x) line[x] = line[r + count - 1];
}

void blurred_row(const float* line, const float* taps, int count, int size, float* out) {
    for (int x = 0; x < size; x += STEP) {
        Wide s0 = {}, s1 = {}, s2 = {}, s3 = {};
        for (int t = 0; t < count; ++t) {
            const float* at = line + x + t;
            const Wide w = Wide{} + taps[t];
            s0 += w * wide_at(at);
            s1 += w * wide_at(at + LANES);
            s2 += w * wide_at(at + 2 * LANES);
            s3 += w * wide_at(at + 3 * LANES);
        }
        float made[STEP];
        put(made, s0), put(made + LANES, s1), put(made + 2 * LANES, s2), put(made + 3 * LANES, s3);
        const int left = min(STEP, size - x);
        for (int n = 0; n < left; ++n) out[x + n] = made[n];
    }
}

bool row_strip(const BlurArgs& a, int deep, int y0, int y1) {
    const int size = a.x1 - a.x0, count = 2 * a.radius + 1;
    Scratch<float> line(size + 2 * a.radius + STEP);
    if (!line.at) return false;
    for (int c = 0; c < deep; ++c) {
        for (int y = y0; y < y1; ++y) {
            fill_line(a, c * a.source_stride + (long long)y * a.pitch, size, line.at);
            blurred_row(line.at, reinterpret_cast<const float*>(a.taps), count, size,
                        reinterpret_cast<float*>(a.target) + c * a.target_stride
                            + (long long)y * a.pitch + a.x0);
        }
    }
    return true;
}

// LINES rows of 32 columns at a time: each value read serves LINES sums. `taps` has LINES - 1 zeros
// before and behind it.
DEVICE void column_block(const BlurArgs& a, const float* source, float* target, const float* taps,
                         int x, int y, int y_end, int x_end) {
    const int r = a.radius;
    Wide sum[LINES][2] = {};
    for (int t = 0; t < 2 * r + LINES; ++t) {
        const int row = min(max(y - r + t, a.y0), a.y1 - 1);
        const float* at = source + (long long)row * a.pitch + x;
        const Wide low = wide_at(at), high = wide_at(at + LANES);
        for (int n = 0; n < LINES; ++n) {
            const Wide w = Wide{} + taps[LINES - 1 + t - n];
            sum[n][0] += w * low;
            sum[n][1] += w * high;
        }
    }
    for (int n = 0; n < LINES && y + n < y_end; ++n) {
        float made[2 * LANES];
        put(made, sum[n][0]), put(made + LANES, sum[n][1]);
        const int left = min(2 * LANES, x_end - x);
        float* to = target + (long long)(y + n) * a.pitch + x;
        if (left == 2 * LANES) __builtin_memcpy(to, made, sizeof made);
        else for (int p = 0; p < left; ++p) to[p] = made[p];
    }
}

// The last block of columns reads up to 31 values behind the rectangle: of the next row, or of the slack
// that every plane of the processor's device has behind it.
bool column_strip(const BlurArgs& a, int deep, int y0, int y1) {
    const int count = 2 * a.radius + 1, most = 2 * (LINES - 1) + count;
    Scratch<float> taps(most);
    if (!taps.at) return false;
    for (int t = 0; t < most; ++t) {
        const int n = t - (LINES - 1);
        taps.at[t] = n < 0 || n >= count ? 0.0f : reinterpret_cast<const float*>(a.taps)[n];
    }
    for (int c = 0; c < deep; ++c) {
        const float* source = reinterpret_cast<const float*>(a.source) + c * a.source_stride;
        float* target = reinterpret_cast<float*>(a.target) + c * a.target_stride;
        for (int x = a.x0; x < a.x1; x += 2 * LANES)
            for (int y = y0; y < y1; y += LINES)
                column_block(a, source, target, taps.at, x, y, y1, a.x1);
    }
    return true;
}

}  // namespace

EXPORTED unsigned verdigris_size_blur_rows() { return sizeof(BlurArgs); }
EXPORTED int verdigris_blur_rows(Pool* pool, const void* given, unsigned deep) {
    const BlurArgs& a = *static_cast<const BlurArgs*>(given);
    Failure failure;
    each_band(pool, a.y0, a.y1, 8, [&](int y0, int y1) {
        if (!row_strip(a, (int)deep, y0, y1)) failure.note();
    });
    return failure.seen;
}

EXPORTED unsigned verdigris_size_blur_columns() { return sizeof(BlurArgs); }
EXPORTED int verdigris_blur_columns(Pool* pool, const void* given, unsigned deep) {
    const BlurArgs& a = *static_cast<const BlurArgs*>(given);
    Failure failure;
    each_band(pool, a.y0, a.y1, 32, [&](int y0, int y1) {
        if (!column_strip(a, (int)deep, y0, y1)) failure.note();
    });
    return failure.seen;
}

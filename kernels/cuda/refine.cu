// Refinements of a matte that look at neighbours; the same results as kernels/reference/refine.py.
// All planes are float with the same row pitch. Pixels outside the rectangle x0..x1, y0..y1 are left
// out, so a rectangle that ends where the frame ends gives what the frame gives.
#include "compat.cuh"

struct RefineArgs {
    u64 source, target, guide, extra;
    int pitch, x0, y0, x1, y1;
    float sign;            // 1, or -1 to work on the negative
    int size, crosses;     // whole widths or radii
    float share;           // of the next size
    int next_square;       // 1: the next size adds a square, 0: a cross
    float low, inverse;    // levels
    float amount;
    int across;            // the guide's radius along a row; `size` is that down a column
    double smoothness;
    double narrower;       // of a box's width over its height in pixels: 1 over the pixel aspect
};

#define TILE 32
#define TILE_THREADS 256
#define EACH_CELL(i, count) \
    for (int i = threadIdx.y * TILE + threadIdx.x; i < (count); i += TILE_THREADS)

DEVICE const float* source_of(const RefineArgs& a) { return reinterpret_cast<const float*>(a.source); }

// sign * value, or `outside` beyond the rectangle.
DEVICE float signed_at(const RefineArgs& a, int x, int y, float outside) {
    if (x < a.x0 || x >= a.x1 || y < a.y0 || y >= a.y1) return outside;
    return a.sign * source_of(a)[(long long)y * a.pitch + x];
}

// ---------------------------------------------------------------- despeckle

#define BOX_ACROSS_LIMIT 24  // as the reference's BOX_ACROSS_LIMIT_PX

// Pixels in a row of a box of n lines: whole pixels that fit, from 1.
DEVICE int box_across(const RefineArgs& a, int n) {
    return min(max(1, (int)(n * a.narrower + 1e-6)), BOX_ACROSS_LIMIT);
}

// Highest value on the ring around the box of n lines of `wide` pixels from (x, y) of the tile on.
DEVICE float ring_maximum(const float* m, int side, int x, int y, int wide, int n) {
    const float* first = m + (y - 1) * side + x - 1;
    const float* last = m + (y + n) * side + x - 1;
    float highest = fmaxf(first[0], last[0]);
    for (int i = 1; i < wide + 2; ++i) highest = fmaxf(highest, fmaxf(first[i], last[i]));
    for (int i = 1; i < n + 1; ++i) {
        const float* row = first + i * side;
        highest = fmaxf(highest, fmaxf(row[0], row[wide + 1]));
    }
    return highest;
}

// min(m, min over n = 1..size over the boxes of n lines that contain the pixel of the ring's maximum).
extern "C" __global__ void __launch_bounds__(TILE_THREADS) despeckle(const RefineArgs a) {
    DYNAMIC_SHARED(float, m);
    const int reach = a.size + (a.share > 0.0f ? 1 : 0), beside = box_across(a, reach);
    const int side = TILE + 2 * beside, rows = TILE + 2 * reach;
    float* ring = m + side * rows;
    float* lines = ring + (TILE + beside - 1) * (TILE + reach - 1);
    const int left = a.x0 + (int)blockIdx.x * TILE, top = a.y0 + (int)blockIdx.y * TILE;
    EACH_CELL(i, side * rows)
        m[i] = signed_at(a, left - beside + i % side, top - reach + i / side, -INFINITY);
    __syncthreads();
    float out[TILE / 8], whole[TILE / 8];
#pragma unroll
    for (int r = 0; r < TILE / 8; ++r)
        out[r] = whole[r] = m[(reach + threadIdx.y + 8 * r) * side + beside + threadIdx.x];
    for (int n = 1; n <= reach; ++n) {
        const int wide = box_across(a, n);
        const int count = TILE + wide - 1, high = TILE + n - 1;  // boxes along the tile's sides
        EACH_CELL(i, count * high) {
            const float highest = ring_maximum(m, side, beside - wide + 1 + i % count,
                                               reach - n + 1 + i / count, wide, n);
            ring[i] = highest == -INFINITY ? INFINITY : highest;
        }
        __syncthreads();
        EACH_CELL(i, high * TILE) {
            const float* row = ring + (i / TILE) * count + i % TILE;
            float lowest = row[0];
            for (int s = 1; s < wide; ++s) lowest = fminf(lowest, row[s]);
            lines[i] = lowest;
        }
        __syncthreads();
#pragma unroll
        for (int r = 0; r < TILE / 8; ++r) {
            const float* column = lines + (threadIdx.y + 8 * r) * TILE + threadIdx.x;
            for (int s = 0; s < n; ++s) out[r] = fminf(out[r], column[s * TILE]);
            if (n == a.size) whole[r] = out[r];
        }
        __syncthreads();
    }
    const int x = left + (int)threadIdx.x;
#pragma unroll
    for (int r = 0; r < TILE / 8; ++r) {
        const int y = top + (int)threadIdx.y + 8 * r;
        if (x >= a.x1 || y >= a.y1) continue;
        const float v = a.share > 0.0f ? (1.0f - a.share) * whole[r] + a.share * out[r] : out[r];
        reinterpret_cast<float*>(a.target)[(long long)y * a.pitch + x] = a.sign * v;
    }
}

// ---------------------------------------------------------------- erode

// Minimum over a square of radius `size`, then `crosses` times over a pixel and its four neighbours,
// then mixed with one step more by `share`. The host repeats it for large radii.
extern "C" __global__ void __launch_bounds__(TILE_THREADS) erode(const RefineArgs a) {
    DYNAMIC_SHARED(float, from);
    const int reach = a.size + a.crosses + (a.share > 0.0f ? 1 : 0);
    const int side = TILE + 2 * reach;
    float* to = from + side * side;
    const int left = a.x0 + (int)blockIdx.x * TILE, top = a.y0 + (int)blockIdx.y * TILE;
    EACH_CELL(i, side * side)
        from[i] = signed_at(a, left - reach + i % side, top - reach + i / side, INFINITY);
    __syncthreads();
    int done = a.size;  // cells this near the tile's border are no longer right
    if (a.size > 0) {
        EACH_CELL(i, side * side) {
            const int x = i % side;
            float lowest = from[i];
            for (int s = max(-a.size, -x); s <= min(a.size, side - 1 - x); ++s)
                lowest = fminf(lowest, from[i + s]);
            to[i] = lowest;
        }
        __syncthreads();
        EACH_CELL(i, side * side) {
            const int y = i / side;
            float lowest = to[i];
            for (int s = max(-a.size, -y); s <= min(a.size, side - 1 - y); ++s)
                lowest = fminf(lowest, to[i + s * side]);
            from[i] = lowest;
        }
        __syncthreads();
    }
    for (int n = 0; n < a.crosses; ++n) {
        ++done;
        EACH_CELL(i, side * side) {
            const int x = i % side, y = i / side;
            if (x < done || x >= side - done || y < done || y >= side - done) continue;
            to[i] = fminf(fminf(from[i], fminf(from[i - 1], from[i + 1])),
                          fminf(from[i - side], from[i + side]));
        }
        __syncthreads();
        float* other = from;
        from = to;
        to = other;
    }
    const int x = left + (int)threadIdx.x;
#pragma unroll
    for (int r = 0; r < TILE / 8; ++r) {
        const int y = top + (int)threadIdx.y + 8 * r;
        if (x >= a.x1 || y >= a.y1) continue;
        const float* at = from + (reach + threadIdx.y + 8 * r) * side + reach + threadIdx.x;
        float v = at[0];
        if (a.share > 0.0f) {
            // Cells outside the rectangle may hold minima of inside ones by now: they don't count.
            const bool l = x > a.x0, e = x + 1 < a.x1, u = y > a.y0, d = y + 1 < a.y1;
            float next = at[0];
            if (l) next = fminf(next, at[-1]);
            if (e) next = fminf(next, at[1]);
            if (u) next = fminf(next, at[-side]);
            if (d) next = fminf(next, at[side]);
            if (a.next_square) {
                if (l && u) next = fminf(next, at[-side - 1]);
                if (e && u) next = fminf(next, at[-side + 1]);
                if (l && d) next = fminf(next, at[side - 1]);
                if (e && d) next = fminf(next, at[side + 1]);
            }
            v = (1.0f - a.share) * v + a.share * next;
        }
        reinterpret_cast<float*>(a.target)[(long long)y * a.pitch + x] = a.sign * v;
    }
}

// Pixels that are not square: a pass for each part of the oblong octagon, straight from memory.

// Minimum over 2 size + 1 pixels of a row (crosses = 0) or column (1) that lie inside.
extern "C" __global__ void __launch_bounds__(TILE_THREADS) erode_line(const RefineArgs a) {
    const int x = a.x0 + (int)(blockIdx.x * TILE + threadIdx.x);
    const int y = a.y0 + (int)(blockIdx.y * 8 + threadIdx.y);
    if (x >= a.x1 || y >= a.y1) return;
    const bool down = a.crosses != 0;
    float lowest = INFINITY;
    for (int i = -a.size; i <= a.size; ++i)
        lowest = fminf(lowest, signed_at(a, down ? x : x + i, down ? y + i : y, INFINITY));
    reinterpret_cast<float*>(a.target)[(long long)y * a.pitch + x] = a.sign * lowest;
}

// Minimum over a cross with arms of `across` and `size` pixels, of those that lie inside.
extern "C" __global__ void __launch_bounds__(TILE_THREADS) erode_arms(const RefineArgs a) {
    const int x = a.x0 + (int)(blockIdx.x * TILE + threadIdx.x);
    const int y = a.y0 + (int)(blockIdx.y * 8 + threadIdx.y);
    if (x >= a.x1 || y >= a.y1) return;
    float lowest = INFINITY;
    for (int i = -a.across; i <= a.across; ++i)
        lowest = fminf(lowest, signed_at(a, x + i, y, INFINITY));
    for (int i = -a.size; i <= a.size; ++i)
        lowest = fminf(lowest, signed_at(a, x, y + i, INFINITY));
    reinterpret_cast<float*>(a.target)[(long long)y * a.pitch + x] = a.sign * lowest;
}

// mix(source, extra, share).
extern "C" __global__ void __launch_bounds__(TILE_THREADS) erode_mix(const RefineArgs a) {
    const int x = a.x0 + (int)(blockIdx.x * TILE + threadIdx.x);
    const int y = a.y0 + (int)(blockIdx.y * 8 + threadIdx.y);
    if (x >= a.x1 || y >= a.y1) return;
    const long long at = (long long)y * a.pitch + x;
    reinterpret_cast<float*>(a.target)[at] =
        (1.0f - a.share) * source_of(a)[at] + a.share * reinterpret_cast<const float*>(a.extra)[at];
}

// ---------------------------------------------------------------- levels and soft edges

DEVICE float level(const RefineArgs& a, float m) { return clamp01((m - a.low) * a.inverse); }

extern "C" __global__ void __launch_bounds__(TILE_THREADS) levels(const RefineArgs a) {
    const int x = a.x0 + (int)(blockIdx.x * TILE + threadIdx.x);
    const int y = a.y0 + (int)(blockIdx.y * 8 + threadIdx.y);
    if (x >= a.x1 || y >= a.y1) return;
    const long long at = (long long)y * a.pitch + x;
    reinterpret_cast<float*>(a.target)[at] = level(a, source_of(a)[at]);
}

// Target: max(4 L (1 - L), max - min of L over 3 x 3), L the levelled matte, which goes to `extra`.
extern "C" __global__ void __launch_bounds__(TILE_THREADS) soft_edge(const RefineArgs a) {
    const int x = a.x0 + (int)(blockIdx.x * TILE + threadIdx.x);
    const int y = a.y0 + (int)(blockIdx.y * 8 + threadIdx.y);
    if (x >= a.x1 || y >= a.y1) return;
    float lowest = INFINITY, highest = -INFINITY;
    for (int v = max(y - 1, a.y0); v <= min(y + 1, a.y1 - 1); ++v)
        for (int u = max(x - 1, a.x0); u <= min(x + 1, a.x1 - 1); ++u) {
            const float near = level(a, source_of(a)[(long long)v * a.pitch + u]);
            lowest = fminf(lowest, near);
            highest = fmaxf(highest, near);
        }
    const long long at = (long long)y * a.pitch + x;
    const float own = level(a, source_of(a)[at]);
    reinterpret_cast<float*>(a.extra)[at] = own;
    reinterpret_cast<float*>(a.target)[at] = fmaxf(4.0f * own * (1.0f - own), highest - lowest);
}

// Mean over 2 radius + 1 pixels of a row (crosses = 0) or column (1) that lie inside; the pixels at
// `size` + 1 count by `share`. Sums in double.
extern "C" __global__ void __launch_bounds__(TILE_THREADS) box_mean(const RefineArgs a) {
    const int x = a.x0 + (int)(blockIdx.x * TILE + threadIdx.x);
    const int y = a.y0 + (int)(blockIdx.y * 8 + threadIdx.y);
    if (x >= a.x1 || y >= a.y1) return;
    const bool down = a.crosses != 0;
    const int at = down ? y : x, low = down ? a.y0 : a.x0, high = (down ? a.y1 : a.x1) - 1;
    const long long step = down ? a.pitch : 1;
    const float* row = source_of(a) + (long long)y * a.pitch + x - at * step;
    double total = 0.0, count = 0.0;
    for (int i = max(at - a.size, low); i <= min(at + a.size, high); ++i) {
        total += row[i * step];
        count += 1.0;
    }
    for (int side = -1; side <= 1; side += 2) {
        const int i = at + side * (a.size + 1);
        if (i < low || i > high) continue;
        total += (double)a.share * row[i * step];
        count += a.share;
    }
    reinterpret_cast<float*>(a.target)[(long long)y * a.pitch + x] = (float)(total / count);
}

// mix(levelled in `extra`, source, clamp(amount * near in `guide`)).
extern "C" __global__ void __launch_bounds__(TILE_THREADS) protect_edges(const RefineArgs a) {
    const int x = a.x0 + (int)(blockIdx.x * TILE + threadIdx.x);
    const int y = a.y0 + (int)(blockIdx.y * 8 + threadIdx.y);
    if (x >= a.x1 || y >= a.y1) return;
    const long long at = (long long)y * a.pitch + x;
    const float t = clamp01(reinterpret_cast<const float*>(a.guide)[at] * a.amount);
    const float levelled = reinterpret_cast<const float*>(a.extra)[at];
    reinterpret_cast<float*>(a.target)[at] = (1.0f - t) * levelled + t * source_of(a)[at];
}

// ---------------------------------------------------------------- guided filter

// He, Sun & Tang 2013, eq. 5, 6 and 8. A block of 256 threads walks down a strip: each thread keeps
// the sums of one column over 2 size + 1 rows, the sums over 2 across + 1 columns come from shared memory.
#define GUIDE_THREADS 256
#define GUIDE_ROWS 64

template <int N>
DEVICE void window_sums(double (*columns)[GUIDE_THREADS], int from, int to, double* out) {
#pragma unroll
    for (int q = 0; q < N; ++q) {
        double total = 0.0;
        for (int i = from; i <= to; ++i) total += columns[q][i];
        out[q] = total;
    }
}

// Lines of each window: a to `target`, b to `extra` (doubles, rows of `pitch`).
extern "C" __global__ void __launch_bounds__(GUIDE_THREADS) guide_lines(const RefineArgs a) {
    __shared__ double columns[4][GUIDE_THREADS];
    const int r = a.size, beside = a.across, t = threadIdx.x;
    const int x = a.x0 + (int)blockIdx.x * (GUIDE_THREADS - 2 * beside) - beside + t;
    const int top = a.y0 + (int)blockIdx.y * GUIDE_ROWS, end = min(top + GUIDE_ROWS, a.y1);
    const bool exists = x >= a.x0 && x < a.x1;
    const bool makes = exists && t >= beside && t < GUIDE_THREADS - beside;
    const float* matte = source_of(a) + x;
    const float* guide = reinterpret_cast<const float*>(a.guide) + x;
    double sum[4] = {0.0, 0.0, 0.0, 0.0};
    auto take = [&](int y, double sign) {
        if (!exists || y < a.y0 || y >= a.y1) return;
        const double i = guide[(long long)y * a.pitch], p = matte[(long long)y * a.pitch];
        sum[0] += sign * i;
        sum[1] += sign * p;
        sum[2] += sign * (i * i);
        sum[3] += sign * (i * p);
    };
    for (int y = top - r; y < top + r; ++y) take(y, 1.0);
    for (int y = top; y < end; ++y) {
        take(y + r, 1.0);
        for (int q = 0; q < 4; ++q) columns[q][t] = sum[q];
        __syncthreads();
        if (makes) {
            double m[4];
            window_sums<4>(columns, t - beside, t + beside, m);
            const double wide = min(x + beside, a.x1 - 1) - max(x - beside, a.x0) + 1;
            const double high = min(y + r, a.y1 - 1) - max(y - r, a.y0) + 1;
            const double count = wide * high;
            const double mean_i = m[0] / count, mean_p = m[1] / count;
            const double variance = fmax(m[2] / count - mean_i * mean_i, 0.0);
            const double slope = (m[3] / count - mean_i * mean_p) / (variance + a.smoothness);
            const long long at = (long long)y * a.pitch + x;
            reinterpret_cast<double*>(a.target)[at] = slope;
            reinterpret_cast<double*>(a.extra)[at] = mean_p - slope * mean_i;
        }
        __syncthreads();
        take(y - r, -1.0);
    }
}

// clamp(mean(a) I + mean(b), 0, 1): a in `source`, b in `extra`, I in `guide`.
extern "C" __global__ void __launch_bounds__(GUIDE_THREADS) guide_apply(const RefineArgs a) {
    __shared__ double columns[2][GUIDE_THREADS];
    const int r = a.size, beside = a.across, t = threadIdx.x;
    const int x = a.x0 + (int)blockIdx.x * (GUIDE_THREADS - 2 * beside) - beside + t;
    const int top = a.y0 + (int)blockIdx.y * GUIDE_ROWS, end = min(top + GUIDE_ROWS, a.y1);
    const bool exists = x >= a.x0 && x < a.x1;
    const bool makes = exists && t >= beside && t < GUIDE_THREADS - beside;
    const double* slopes = reinterpret_cast<const double*>(a.source) + x;
    const double* bases = reinterpret_cast<const double*>(a.extra) + x;
    double sum[2] = {0.0, 0.0};
    auto take = [&](int y, double sign) {
        if (!exists || y < a.y0 || y >= a.y1) return;
        sum[0] += sign * slopes[(long long)y * a.pitch];
        sum[1] += sign * bases[(long long)y * a.pitch];
    };
    for (int y = top - r; y < top + r; ++y) take(y, 1.0);
    for (int y = top; y < end; ++y) {
        take(y + r, 1.0);
        for (int q = 0; q < 2; ++q) columns[q][t] = sum[q];
        __syncthreads();
        if (makes) {
            double m[2];
            window_sums<2>(columns, t - beside, t + beside, m);
            const double wide = min(x + beside, a.x1 - 1) - max(x - beside, a.x0) + 1;
            const double high = min(y + r, a.y1 - 1) - max(y - r, a.y0) + 1;
            const long long at = (long long)y * a.pitch + x;
            const double i = reinterpret_cast<const float*>(a.guide)[at];
            const double q = (m[0] * i + m[1]) / (wide * high);
            reinterpret_cast<float*>(a.target)[at] = (float)fmin(fmax(q, 0.0), 1.0);
        }
        __syncthreads();
        take(y - r, -1.0);
    }
}

// Refinements of a matte that look at neighbours: kernels/cuda/refine.cu in strips of rows. Pixels
// outside the rectangle are left out, as there.
#define VERDIGRIS_WIDE "wide.hpp"

#include "memory.hpp"
#include "pool.hpp"

namespace {

#include "refine.cu"

constexpr int STRIP_ROWS = 32;

DEVICE float* row_of(u64 plane, const RefineArgs& a, int y) {
    return reinterpret_cast<float*>(plane) + (long long)y * a.pitch;
}

// A strip of the rectangle with `reach` values of `outside` on every side, and room for vectors.
struct Strip {
    int width, height, reach, pitch;
    long long size() const { return (long long)pitch * (height + 2 * reach); }
};

Strip strip_of(const RefineArgs& a, int reach, int y0, int y1) {
    const int width = a.x1 - a.x0;
    return {width, y1 - y0, reach, width + 2 * reach + 16};
}

// Row y of a strip, -reach .. height + reach - 1, at its first inner pixel.
DEVICE float* line(const Strip& s, float* memory, int y) {
    return memory + (long long)(y + s.reach) * s.pitch + s.reach;
}

void fill_strip(const RefineArgs& a, const Strip& s, int y0, float outside, float* memory) {
    for (long long n = 0; n < s.size(); ++n) memory[n] = outside;
    for (int y = -s.reach; y < s.height + s.reach; ++y) {
        if (y0 + y < a.y0 || y0 + y >= a.y1) continue;
        const float* from = row_of(a.source, a, y0 + y) + a.x0;
        float* to = line(s, memory, y);
        VECTORISED for (int x = 0; x < s.width; ++x) to[x] = a.sign * from[x];
    }
}

void store_mix(const RefineArgs& a, const Strip& s, int y0, float* first, float* second) {
    for (int y = 0; y < s.height; ++y) {
        const float *low = line(s, first, y), *high = line(s, second, y);
        float* to = row_of(a.target, a, y0 + y) + a.x0;
        if (a.share > 0.0f) {
            VECTORISED for (int x = 0; x < s.width; ++x)
                to[x] = a.sign * ((1.0f - a.share) * low[x] + a.share * high[x]);
        } else {
            VECTORISED for (int x = 0; x < s.width; ++x) to[x] = a.sign * low[x];
        }
    }
}

// ---------------------------------------------------------------- despeckle

// Boxes of n x n pixels: rows[] holds maxima of n + 2 values along rows, columns[] of n down columns.
struct Rings {
    float *rows, *columns, *ring, *lines;
};

void widen_rings(const Strip& s, float* m, const Rings& q, int n) {
    const int first = -s.reach, last = s.height + s.reach;
    for (int y = first; y < last; ++y) {
        const float* from = line(s, m, y);
        float *along = line(s, q.rows, y), *down = line(s, q.columns, y);
        const int end = s.width + s.reach - n - 1;
        if (n == 1) {
            VECTORISED for (int x = first; x < end; ++x)
                along[x] = fmaxf(fmaxf(from[x], from[x + 1]), from[x + 2]);
            VECTORISED for (int x = first; x < s.width + s.reach; ++x) down[x] = from[x];
        } else {
            VECTORISED for (int x = first; x < end; ++x) along[x] = fmaxf(along[x], from[x + n + 1]);
            if (y + n - 1 >= last) continue;
            const float* below = line(s, m, y + n - 1);
            VECTORISED for (int x = first; x < s.width + s.reach; ++x)
                down[x] = fmaxf(down[x], below[x]);
        }
    }
}

// Lowers out[] to the smallest ring maximum of the n x n boxes that contain each pixel.
void take_boxes(const Strip& s, const Rings& q, int n, float* out) {
    for (int y = 1 - n; y < s.height; ++y) {
        const float *top = line(s, q.rows, y - 1), *bottom = line(s, q.rows, y + n);
        const float* side = line(s, q.columns, y);
        float *ring = line(s, q.ring, y), *low = line(s, q.lines, y);
        VECTORISED for (int x = 1 - n; x < s.width; ++x) {
            const float ends = fmaxf(top[x - 1], bottom[x - 1]);
            const float highest = fmaxf(ends, fmaxf(side[x - 1], side[x + n]));
            ring[x] = highest == -INFINITY ? INFINITY : highest;
        }
        VECTORISED for (int x = 0; x < s.width; ++x) low[x] = ring[x];
        for (int k = 1; k < n; ++k)
            VECTORISED for (int x = 0; x < s.width; ++x) low[x] = fminf(low[x], ring[x - k]);
    }
    for (int y = 0; y < s.height; ++y) {
        float* to = line(s, out, y);
        for (int k = 0; k < n; ++k) {
            const float* low = line(s, q.lines, y - k);
            VECTORISED for (int x = 0; x < s.width; ++x) to[x] = fminf(to[x], low[x]);
        }
    }
}

bool despeckle_strip(const RefineArgs& a, int y0, int y1) {
    const int reach = a.size + (a.share > 0.0f ? 1 : 0);
    const Strip s = strip_of(a, reach, y0, y1);
    Scratch<float> memory(7 * s.size());
    if (!memory.at) return false;
    float *m = memory.at, *out = m + s.size(), *whole = out + s.size();
    const Rings q = {whole + s.size(), whole + 2 * s.size(), whole + 3 * s.size(),
                     whole + 4 * s.size()};
    fill_strip(a, s, y0, -INFINITY, m);
    __builtin_memcpy(out, m, s.size() * sizeof(float));
    __builtin_memcpy(whole, m, s.size() * sizeof(float));
    for (int n = 1; n <= reach; ++n) {
        widen_rings(s, m, q, n);
        take_boxes(s, q, n, out);
        if (n == a.size) __builtin_memcpy(whole, out, s.size() * sizeof(float));
    }
    store_mix(a, s, y0, whole, out);
    return true;
}

// ---------------------------------------------------------------- erode

// `to` = minimum over a row's 2 r + 1 values, then down columns: back in `from`.
void square(const Strip& s, int r, float* from, float* to) {
    for (int y = -s.reach; y < s.height + s.reach; ++y) {
        const float* v = line(s, from, y);
        float* low = line(s, to, y);
        VECTORISED for (int x = 0; x < s.width; ++x) low[x] = v[x];
        for (int k = 1; k <= r; ++k)
            VECTORISED for (int x = 0; x < s.width; ++x)
                low[x] = fminf(low[x], fminf(v[x - k], v[x + k]));
    }
    for (int y = -s.reach; y < s.height + s.reach; ++y) {
        float* low = line(s, from, y);
        const int top = max(y - r, -s.reach), end = min(y + r, s.height + s.reach - 1);
        for (int v = top; v <= end; ++v) {
            const float* row = line(s, to, v);
            VECTORISED for (int x = 0; x < s.width; ++x) low[x] = fminf(low[x], row[x]);
        }
    }
}

// Minimum over a pixel and its four neighbours, the corners too where `corners`.
void cross(const RefineArgs& a, const Strip& s, int y0, int margin, bool corners, float* from,
           float* to) {
    for (int y = -margin; y < s.height + margin; ++y) {
        if (y0 + y < a.y0 || y0 + y >= a.y1) continue;  // stays infinite
        const float *up = line(s, from, y - 1), *v = line(s, from, y), *down = line(s, from, y + 1);
        float* low = line(s, to, y);
        if (corners) {
            VECTORISED for (int x = 0; x < s.width; ++x) {
                const float upper = fminf(up[x], fminf(up[x - 1], up[x + 1]));
                const float lower = fminf(down[x], fminf(down[x - 1], down[x + 1]));
                low[x] = fminf(fminf(v[x], fminf(v[x - 1], v[x + 1])), fminf(upper, lower));
            }
        } else {
            VECTORISED for (int x = 0; x < s.width; ++x)
                low[x] = fminf(fminf(v[x], fminf(v[x - 1], v[x + 1])), fminf(up[x], down[x]));
        }
    }
}

bool erode_strip(const RefineArgs& a, int y0, int y1) {
    const int reach = a.size + a.crosses + (a.share > 0.0f ? 1 : 0);
    const Strip s = strip_of(a, reach + 1, y0, y1);
    Scratch<float> memory(2 * s.size());
    if (!memory.at) return false;
    float *from = memory.at, *to = from + s.size();
    fill_strip(a, s, y0, INFINITY, from);
    for (long long n = 0; n < s.size(); ++n) to[n] = INFINITY;
    if (a.size > 0) {
        square(s, a.size, from, to);
        // Rows outside the rectangle are infinite again: they do not count.
        for (int y = -s.reach; y < s.height + s.reach; ++y) {
            const bool outside = y0 + y < a.y0 || y0 + y >= a.y1;
            for (int x = 0; x < s.width; ++x) {
                line(s, to, y)[x] = INFINITY;
                if (outside) line(s, from, y)[x] = INFINITY;
            }
        }
    }
    for (int n = 0, margin = reach - a.size; n < a.crosses; ++n) {
        cross(a, s, y0, --margin, false, from, to);
        float* other = from;
        from = to;
        to = other;
    }
    if (a.share > 0.0f) cross(a, s, y0, 0, a.next_square != 0, from, to);
    store_mix(a, s, y0, from, to);
    return true;
}

// ---------------------------------------------------------------- levels and soft edges

void levels_rows(const RefineArgs& a, int y0, int y1) {
    for (int y = y0; y < y1; ++y) {
        const float* from = row_of(a.source, a, y);
        float* to = row_of(a.target, a, y);
        VECTORISED for (int x = a.x0; x < a.x1; ++x) to[x] = level(a, from[x]);
    }
}

// Levelled values of a row and their extremes over three in a row.
void edge_line(const RefineArgs& a, int y, float* own, float* low, float* high) {
    const float* from = row_of(a.source, a, y) + a.x0;
    const int size = a.x1 - a.x0;
    VECTORISED for (int x = 0; x < size; ++x) own[x] = level(a, from[x]);
    own[-1] = own[0];
    own[size] = own[size - 1];
    VECTORISED for (int x = 0; x < size; ++x) {
        low[x] = fminf(own[x], fminf(own[x - 1], own[x + 1]));
        high[x] = fmaxf(own[x], fmaxf(own[x - 1], own[x + 1]));
    }
}

bool soft_edge_strip(const RefineArgs& a, int y0, int y1) {
    const int size = a.x1 - a.x0, pitch = size + 2;
    Scratch<float> memory(9LL * pitch);
    if (!memory.at) return false;
    float *own[3], *low[3], *high[3];
    for (int n = 0; n < 3; ++n) {
        own[n] = memory.at + (long long)n * 3 * pitch + 1;
        low[n] = own[n] + pitch;
        high[n] = low[n] + pitch;
    }
    const auto take = [&](int y, int n) {
        edge_line(a, min(max(y, a.y0), a.y1 - 1), own[n], low[n], high[n]);
    };
    take(y0 - 1, 0), take(y0, 1);
    for (int y = y0, n = 0; y < y1; ++y, n = (n + 1) % 3) {
        const int here = (n + 1) % 3, below = (n + 2) % 3;
        take(y + 1, below);
        float *kept = row_of(a.extra, a, y) + a.x0, *to = row_of(a.target, a, y) + a.x0;
        const float *v = own[here], *l0 = low[n], *l1 = low[here], *l2 = low[below];
        const float *h0 = high[n], *h1 = high[here], *h2 = high[below];
        VECTORISED for (int x = 0; x < size; ++x) {
            const float lowest = fminf(l0[x], fminf(l1[x], l2[x]));
            const float highest = fmaxf(h0[x], fmaxf(h1[x], h2[x]));
            kept[x] = v[x];
            to[x] = fmaxf(4.0f * v[x] * (1.0f - v[x]), highest - lowest);
        }
    }
    return true;
}

// How many of 2 r + 1 places about `at`, and how much of the next ones, lie in low .. high.
DEVICE double counted(int at, int r, float share, int low, int high) {
    const int within = min(at + r, high) - max(at - r, low) + 1;
    const int ends = (at - r - 1 >= low) + (at + r + 1 <= high);
    return within + (double)share * ends;
}

bool mean_across(const RefineArgs& a, int y0, int y1) {
    const int r = a.size, size = a.x1 - a.x0;
    Scratch<double> sums(size + 1);
    if (!sums.at) return false;
    for (int y = y0; y < y1; ++y) {
        const float* from = row_of(a.source, a, y) + a.x0;
        float* to = row_of(a.target, a, y) + a.x0;
        double total = sums.at[0] = 0.0;
        for (int x = 0; x < size; ++x) sums.at[x + 1] = total += from[x];
        for (int x = 0; x < size; ++x) {
            const int left = max(x - r, 0), right = min(x + r, size - 1);
            double sum = sums.at[right + 1] - sums.at[left];
            if (x - r - 1 >= 0) sum += (double)a.share * from[x - r - 1];
            if (x + r + 1 < size) sum += (double)a.share * from[x + r + 1];
            to[x] = (float)(sum / counted(x, r, a.share, 0, size - 1));
        }
    }
    return true;
}

bool mean_down(const RefineArgs& a, int y0, int y1) {
    const int r = a.size, size = a.x1 - a.x0;
    Scratch<double> sums(size);
    if (!sums.at) return false;
    double* sum = sums.at;
    for (int x = 0; x < size; ++x) sum[x] = 0.0;
    const auto take = [&](int y, double sign) {
        if (y < a.y0 || y >= a.y1) return;
        const float* from = row_of(a.source, a, y) + a.x0;
        VECTORISED for (int x = 0; x < size; ++x) sum[x] += sign * from[x];
    };
    for (int y = y0 - r; y < y0 + r; ++y) take(y, 1.0);
    for (int y = y0; y < y1; ++y) {
        take(y + r, 1.0);
        const bool above = y - r - 1 >= a.y0, below = y + r + 1 < a.y1;
        const float* up = row_of(a.source, a, above ? y - r - 1 : y) + a.x0;
        const float* down = row_of(a.source, a, below ? y + r + 1 : y) + a.x0;
        float* to = row_of(a.target, a, y) + a.x0;
        const double inverse = 1.0 / counted(y, r, a.share, a.y0, a.y1 - 1);
        const double first = above ? (double)a.share : 0.0, last = below ? (double)a.share : 0.0;
        VECTORISED for (int x = 0; x < size; ++x)
            to[x] = (float)((sum[x] + first * up[x] + last * down[x]) * inverse);
        take(y - r, -1.0);
    }
    return true;
}

void protect_rows(const RefineArgs& a, int y0, int y1) {
    for (int y = y0; y < y1; ++y) {
        const float *near = row_of(a.guide, a, y), *levelled = row_of(a.extra, a, y);
        const float* from = row_of(a.source, a, y);
        float* to = row_of(a.target, a, y);
        VECTORISED for (int x = a.x0; x < a.x1; ++x) {
            const float t = clamp01(near[x] * a.amount);
            to[x] = (1.0f - t) * levelled[x] + t * from[x];
        }
    }
}

}  // namespace

#define STRIPS(name, rows, work)                                           \
    EXPORTED unsigned verdigris_size_##name() { return sizeof(RefineArgs); } \
    EXPORTED int verdigris_##name(Pool* pool, const void* given, unsigned) { \
        const RefineArgs& a = *static_cast<const RefineArgs*>(given);      \
        Failure failure;                                                   \
        each_strip(pool, a.y0, a.y1, rows, [&](int y0, int y1) {           \
            if (!(work)) failure.note();                                   \
        });                                                                \
        return failure.seen;                                               \
    }

STRIPS(despeckle, STRIP_ROWS, despeckle_strip(a, y0, y1))
STRIPS(erode, STRIP_ROWS, erode_strip(a, y0, y1))
STRIPS(levels, STRIP_ROWS, (levels_rows(a, y0, y1), true))
STRIPS(soft_edge, STRIP_ROWS, soft_edge_strip(a, y0, y1))
STRIPS(box_mean, 2 * STRIP_ROWS, a.crosses ? mean_down(a, y0, y1) : mean_across(a, y0, y1))
STRIPS(protect_edges, STRIP_ROWS, (protect_rows(a, y0, y1), true))

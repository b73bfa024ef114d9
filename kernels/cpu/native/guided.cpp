// The guided filter of kernels/cuda/refine.cu: the same sums in double, running down and along.
#define VERDIGRIS_WIDE "wide.hpp"

#include "memory.hpp"
#include "pool.hpp"

namespace {

#include "refine.cu"

// Sums of COUNT quantities over 2 r + 1 rows for each column, and from the row's start up to each.
template <int COUNT>
struct Sums {
    double* column[COUNT];
    double* along[COUNT];   // size + 1 values
    double* inverse;        // 1 / pixels across in the window
};

template <int COUNT>
Sums<COUNT> sums_in(double* memory, const RefineArgs& a) {
    const int size = a.x1 - a.x0;
    Sums<COUNT> s;
    for (int q = 0; q < COUNT; ++q) {
        s.column[q] = memory + (long long)q * size;
        s.along[q] = memory + (long long)COUNT * size + (long long)q * (size + 1);
    }
    s.inverse = memory + (long long)COUNT * (2 * size + 1);
    for (int n = 0; n < COUNT * size; ++n) memory[n] = 0.0;
    for (int x = 0; x < size; ++x)
        s.inverse[x] = 1.0 / (min(x + a.size, size - 1) - max(x - a.size, 0) + 1);
    return s;
}

template <int COUNT>
long long length_of(const RefineArgs& a) {
    return (long long)(2 * COUNT + 1) * (a.x1 - a.x0) + COUNT;
}

template <int COUNT>
void run_along(const Sums<COUNT>& s, int size) {
    double total[COUNT] = {};
    for (int q = 0; q < COUNT; ++q) s.along[q][0] = 0.0;
    for (int x = 0; x < size; ++x)
        for (int q = 0; q < COUNT; ++q) s.along[q][x + 1] = total[q] += s.column[q][x];
}

DEVICE double window(const double* along, int x, int r, int size) {
    return along[min(x + r + 1, size)] - along[max(x - r, 0)];
}

// Calls make(first, end, whole) for the columns by the left end, within, and by the right end.
template <class Make>
DEVICE void each_part(int size, int r, const Make& make) {
    const int left = min(r, size), right = max(left, size - r - 1);
    make(0, left, false);
    make(left, right, true);
    make(right, size, false);
}

double high_inverse(const RefineArgs& a, int y) {
    return 1.0 / (min(y + a.size, a.y1 - 1) - max(y - a.size, a.y0) + 1);
}

void take_lines(const RefineArgs& a, const Sums<4>& s, int y, double sign) {
    if (y < a.y0 || y >= a.y1) return;
    const int size = a.x1 - a.x0;
    const long long row = (long long)y * a.pitch + a.x0;
    const float* guide = reinterpret_cast<const float*>(a.guide) + row;
    const float* matte = source_of(a) + row;
    double *s0 = s.column[0], *s1 = s.column[1], *s2 = s.column[2], *s3 = s.column[3];
    VECTORISED for (int x = 0; x < size; ++x) {
        const double i = guide[x], p = matte[x];
        s0[x] += sign * i;
        s1[x] += sign * p;
        s2[x] += sign * (i * i);
        s3[x] += sign * (i * p);
    }
}

bool lines_strip(const RefineArgs& a, int y0, int y1) {
    const int r = a.size, size = a.x1 - a.x0;
    Scratch<double> memory(length_of<4>(a));
    if (!memory.at) return false;
    const Sums<4> s = sums_in<4>(memory.at, a);
    for (int y = y0 - r; y < y0 + r; ++y) take_lines(a, s, y, 1.0);
    for (int y = y0; y < y1; ++y) {
        take_lines(a, s, y + r, 1.0);
        run_along(s, size);
        const double high = high_inverse(a, y);
        const long long row = (long long)y * a.pitch + a.x0;
        double* slopes = reinterpret_cast<double*>(a.target) + row;
        double* bases = reinterpret_cast<double*>(a.extra) + row;
        const auto line_at = [&](int x, double i, double p, double ii, double ip) {
            const double share = s.inverse[x] * high;
            const double mean_i = i * share, mean_p = p * share;
            const double variance = fmax(ii * share - mean_i * mean_i, 0.0);
            const double slope = (ip * share - mean_i * mean_p) / (variance + a.smoothness);
            slopes[x] = slope;
            bases[x] = mean_p - slope * mean_i;
        };
        each_part(size, r, [&](int first, int end, bool whole) {
            const double *i = s.along[0], *p = s.along[1], *ii = s.along[2], *ip = s.along[3];
            if (whole) {
                VECTORISED for (int x = first; x < end; ++x)
                    line_at(x, i[x + r + 1] - i[x - r], p[x + r + 1] - p[x - r],
                            ii[x + r + 1] - ii[x - r], ip[x + r + 1] - ip[x - r]);
            } else {
                for (int x = first; x < end; ++x)
                    line_at(x, window(i, x, r, size), window(p, x, r, size),
                            window(ii, x, r, size), window(ip, x, r, size));
            }
        });
        take_lines(a, s, y - r, -1.0);
    }
    return true;
}

void take_apply(const RefineArgs& a, const Sums<2>& s, int y, double sign) {
    if (y < a.y0 || y >= a.y1) return;
    const int size = a.x1 - a.x0;
    const long long row = (long long)y * a.pitch + a.x0;
    const double* slopes = reinterpret_cast<const double*>(a.source) + row;
    const double* bases = reinterpret_cast<const double*>(a.extra) + row;
    double *s0 = s.column[0], *s1 = s.column[1];
    VECTORISED for (int x = 0; x < size; ++x) {
        s0[x] += sign * slopes[x];
        s1[x] += sign * bases[x];
    }
}

bool apply_strip(const RefineArgs& a, int y0, int y1) {
    const int r = a.size, size = a.x1 - a.x0;
    Scratch<double> memory(length_of<2>(a));
    if (!memory.at) return false;
    const Sums<2> s = sums_in<2>(memory.at, a);
    for (int y = y0 - r; y < y0 + r; ++y) take_apply(a, s, y, 1.0);
    for (int y = y0; y < y1; ++y) {
        take_apply(a, s, y + r, 1.0);
        run_along(s, size);
        const double high = high_inverse(a, y);
        const long long row = (long long)y * a.pitch + a.x0;
        const float* guide = reinterpret_cast<const float*>(a.guide) + row;
        float* to = reinterpret_cast<float*>(a.target) + row;
        const auto put = [&](int x, double slope, double base) {
            const double q = (slope * guide[x] + base) * (s.inverse[x] * high);
            to[x] = (float)fmin(fmax(q, 0.0), 1.0);
        };
        each_part(size, r, [&](int first, int end, bool whole) {
            const double *m = s.along[0], *b = s.along[1];
            if (whole) {
                VECTORISED for (int x = first; x < end; ++x)
                    put(x, m[x + r + 1] - m[x - r], b[x + r + 1] - b[x - r]);
            } else {
                for (int x = first; x < end; ++x)
                    put(x, window(m, x, r, size), window(b, x, r, size));
            }
        });
        take_apply(a, s, y - r, -1.0);
    }
    return true;
}

}  // namespace

EXPORTED unsigned verdigris_size_guide_lines() { return sizeof(RefineArgs); }
EXPORTED int verdigris_guide_lines(Pool* pool, const void* given, unsigned) {
    const RefineArgs& a = *static_cast<const RefineArgs*>(given);
    Failure failure;
    each_strip(pool, a.y0, a.y1, 128, [&](int y0, int y1) {
        if (!lines_strip(a, y0, y1)) failure.note();
    });
    return failure.seen;
}

EXPORTED unsigned verdigris_size_guide_apply() { return sizeof(RefineArgs); }
EXPORTED int verdigris_guide_apply(Pool* pool, const void* given, unsigned) {
    const RefineArgs& a = *static_cast<const RefineArgs*>(given);
    Failure failure;
    each_strip(pool, a.y0, a.y1, 128, [&](int y0, int y1) {
        if (!apply_strip(a, y0, y1)) failure.note();
    });
    return failure.seen;
}

// Denoising: the averages of kernels/cuda/denoise.cu in small tiles. In a frame itself what two places
// are to each other is worked out once for both.
#define VERDIGRIS_WIDE "wide.hpp"

#include "memory.hpp"
#include "pool.hpp"

namespace {

#include "denoise.cu"

constexpr int TILE_ROWS = 32, TILE_COLUMNS = 128;
constexpr int ROWS = TILE_ROWS + 2 * MARGIN, COLUMNS = TILE_COLUMNS + 2 * MARGIN;
constexpr int PITCH = (COLUMNS + 15) / 16 * 16;

struct Tile {
    float guide[3][ROWS][PITCH], other[3][ROWS][PITCH], picture[3][ROWS][PITCH];
    float total[3][TILE_ROWS][TILE_COLUMNS], share[TILE_ROWS][TILE_COLUMNS];
    float squares[3][PITCH];   // of three rows, for patches' sums
    float weight[PITCH];
    int x0, y0, width, height;
};

void fill(const AverageArgs& a, u64 planes, const Tile& t, float (*to)[ROWS][PITCH]) {
    for (int row = 0; row < t.height + 2 * MARGIN; ++row) {
        const long long from = (long long)mirrored(t.y0 + row - MARGIN, a.height) * a.pitch;
        const int columns = t.width + 2 * MARGIN, left = t.x0 - MARGIN;
        const bool inside = left >= 0 && left + columns <= a.width;
        EACH_CHANNEL {
            const float* v = values(planes) + c * a.stride + from;
            float* out = to[c][row];
            if (inside) __builtin_memcpy(out, v + left, columns * sizeof(float));
            else for (int x = 0; x < columns; ++x) out[x] = v[mirrored(left + x, a.width)];
        }
    }
}

// e^x for x <= 0, 0 where it is nearly that; relative error under 2e-7.
DEVICE float decay(float x) {
    const float held = fmaxf(x, -86.0f), n = nearest(held * 1.44269504f);
    const float f = (held - n * 0.693359375f) + n * 2.12194440e-4f;
    float y = 0.00139411175f;
    y = y * f + 0.00836317981f;
    y = y * f + 0.0416663752f;
    y = y * f + 0.16666577f;
    y = y * f + 0.5f;
    return (1.0f + (f + y * f * f)) * power_of_two((int)n);
}

// Squared differences of a row with one `dy`, `dx` away, from column x0 on.
DEVICE void squares_of(Tile& t, const float (*other)[ROWS][PITCH], int row, int dy, int dx, int x0,
                       int count, float* out) {
    const float *g0 = t.guide[0][row] + x0, *g1 = t.guide[1][row] + x0, *g2 = t.guide[2][row] + x0;
    const float* h0 = other[0][row + dy] + x0 + dx;
    const float* h1 = other[1][row + dy] + x0 + dx;
    const float* h2 = other[2][row + dy] + x0 + dx;
    VECTORISED for (int x = 0; x < count; ++x) {
        const float a = h0[x] - g0[x], b = h1[x] - g1[x], c = h2[x] - g2[x];
        out[x] = a * a + b * b + c * c;
    }
}

// Adds weight * picture, both `count` values, to the tile's row.
DEVICE void add(Tile& t, int row, int column, const float* weight, int seen_row, int seen_column,
                int count) {
    float *r = t.total[0][row] + column, *g = t.total[1][row] + column;
    float *b = t.total[2][row] + column, *s = t.share[row] + column;
    const float* p0 = t.picture[0][seen_row] + seen_column;
    const float* p1 = t.picture[1][seen_row] + seen_column;
    const float* p2 = t.picture[2][seen_row] + seen_column;
    VECTORISED for (int x = 0; x < count; ++x) {
        const float w = weight[x];
        r[x] += w * p0[x];
        g[x] += w * p1[x];
        b[x] += w * p2[x];
        s[x] += w;
    }
}

// Takes in what lies (dy, dx) away. both: and what lies as far the other way, for dy >= 0.
void take_move(const AverageArgs& a, Tile& t, const float (*other)[ROWS][PITCH], int dy, int dx,
               bool both) {
    // Places whose weights are needed: the tile's, and those a move before them.
    const int top = both ? -dy : 0, left = both ? -max(dx, 0) : 0;
    const int right = both ? t.width - min(dx, 0) : t.width;
    const int count = right - left, x0 = MARGIN + left - 1;
    for (int y = top - 1; y < top + 1; ++y)
        squares_of(t, other, MARGIN + y, dy, dx, x0, count + 2, t.squares[(y + 3 * MARGIN) % 3]);
    for (int y = top; y < t.height; ++y) {
        float* newest = t.squares[(y + 1 + 3 * MARGIN) % 3];
        squares_of(t, other, MARGIN + y + 1, dy, dx, x0, count + 2, newest);
        const float *s0 = t.squares[0], *s1 = t.squares[1], *s2 = t.squares[2];
        float down[PITCH], *weight = t.weight;
        VECTORISED for (int x = 0; x < count + 2; ++x) down[x] = s0[x] + s1[x] + s2[x];
        VECTORISED for (int x = 0; x < count; ++x) {
            const float sum = down[x] + down[x + 1] + down[x + 2];
            weight[x] = decay(fminf(a.scale * sum + a.constant, 0.0f));
        }
        if (y >= 0)
            add(t, y, 0, weight - left, MARGIN + y + dy, MARGIN + dx, t.width);
        // The place one move on sees this one with the same weight.
        if (both && y + dy < t.height)
            add(t, y + dy, 0, weight - left - dx, MARGIN + y, MARGIN - dx, t.width);
    }
}

bool averaged_tiles(const AverageArgs& a, int y0, int y1) {
    Scratch<Tile> memory(1);
    if (!memory.at) return false;
    Tile& t = *memory.at;
    t.y0 = y0;
    t.height = y1 - y0;
    for (t.x0 = 0; t.x0 < a.width; t.x0 += TILE_COLUMNS) {
        t.width = min(TILE_COLUMNS, a.width - t.x0);
        fill(a, a.guide, t, t.guide);
        if (!a.own) fill(a, a.other, t, t.other);
        fill(a, a.picture, t, t.picture);
        for (int y = 0; y < t.height; ++y) {
            const long long at = (long long)(y0 + y) * a.pitch + t.x0;
            for (int x = 0; x < t.width; ++x) {
                EACH_CHANNEL t.total[c][y][x] = a.own ? t.picture[c][MARGIN + y][MARGIN + x]
                                                      : values(a.total)[at + x + c * a.stride];
                t.share[y][x] = a.own ? 1.0f : values(a.share)[at + x];
            }
        }
        for (int dy = a.own ? 0 : -a.reach; dy <= a.reach; ++dy)
            for (int dx = -a.reach; dx <= a.reach; ++dx)
                if (!a.own || dy > 0 || dx > 0)
                    take_move(a, t, a.own ? t.guide : t.other, dy, dx, a.own != 0);
        for (int y = 0; y < t.height; ++y) {
            const long long at = (long long)(y0 + y) * a.pitch + t.x0;
            for (int x = 0; x < t.width; ++x) {
                EACH_CHANNEL writable(a.total)[at + x + c * a.stride] = t.total[c][y][x];
                writable(a.share)[at + x] = t.share[y][x];
            }
        }
    }
    return true;
}

void guide_rows(const GuideArgs& a, int y0, int y1) {
    for (int y = y0; y < y1; ++y) {
        const long long at = (long long)y * a.pitch;
        const float *r = values(a.source) + at, *g = r + a.stride, *b = g + a.stride;
        float *to0 = writable(a.target) + at, *to1 = to0 + a.stride, *to2 = to1 + a.stride;
        const float* m = a.mixing;
        VECTORISED for (int x = 0; x < a.width; ++x) {
            const float v0 = stabilised(a, 0, r[x]), v1 = stabilised(a, 1, g[x]);
            const float v2 = stabilised(a, 2, b[x]);
            to0[x] = m[0] * v0 + m[1] * v1 + m[2] * v2;
            to1[x] = m[3] * v0 + m[4] * v1 + m[5] * v2;
            to2[x] = m[6] * v0 + m[7] * v1 + m[8] * v2;
        }
    }
}

void finish_rows(const FinishArgs& a, int y0, int y1) {
    for (int y = y0; y < y1; ++y) {
        const long long at = (long long)y * a.pitch;
        const float* share = values(a.share) + at;
        const float *p0 = values(a.plate) + at, *p1 = p0 + a.stride, *p2 = p1 + a.stride;
        const float *t0 = values(a.total) + at, *t1 = t0 + a.stride, *t2 = t1 + a.stride;
        float *to0 = writable(a.target) + at, *to1 = to0 + a.stride, *to2 = to1 + a.stride;
        VECTORISED for (int x = 0; x < a.width; ++x) {
            const float v0 = t0[x] / share[x], v1 = t1[x] / share[x], v2 = t2[x] / share[x];
            const float change = a.weights[0] * (p0[x] - v0) + a.weights[1] * (p1[x] - v1)
                                 + a.weights[2] * (p2[x] - v2);
            to0[x] = v0 + a.keep * change;
            to1[x] = v1 + a.keep * change;
            to2[x] = v2 + a.keep * change;
        }
    }
}

}  // namespace

EXPORTED unsigned verdigris_size_denoise_guide() { return sizeof(GuideArgs); }
EXPORTED int verdigris_denoise_guide(Pool* pool, const void* given, unsigned) {
    const GuideArgs& a = *static_cast<const GuideArgs*>(given);
    each_band(pool, 0, a.height, 8, [&](int y0, int y1) { guide_rows(a, y0, y1); });
    return 0;
}

EXPORTED unsigned verdigris_size_denoise_average() { return sizeof(AverageArgs); }
EXPORTED int verdigris_denoise_average(Pool* pool, const void* given, unsigned) {
    const AverageArgs& a = *static_cast<const AverageArgs*>(given);
    Failure failure;
    each_strip(pool, 0, a.height, TILE_ROWS, [&](int y0, int y1) {
        if (!averaged_tiles(a, y0, y1)) failure.note();
    });
    return failure.seen;
}

EXPORTED unsigned verdigris_size_denoise_finish() { return sizeof(FinishArgs); }
EXPORTED int verdigris_denoise_finish(Pool* pool, const void* given, unsigned) {
    const FinishArgs& a = *static_cast<const FinishArgs*>(given);
    each_band(pool, 0, a.height, 8, [&](int y0, int y1) { finish_rows(a, y0, y1); });
    return 0;
}

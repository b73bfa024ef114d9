// The fused kernels of kernels/cuda, row by row: full-size planes, and pictures pooled and finished on
// the way. Compiled once with wide groups of pixels and once with groups of 8, for frames narrower
// than a wide one (rows are padded to 8).
#define VERDIGRIS_WIDE "wide.hpp"

#include <stdlib.h>

#include "pool.hpp"
#include "rows.hpp"

namespace {

#include "pointwise.cu"
#include "finish.cu"

template <class Body>
DEVICE void each_group(int first, int end, const Body& body) {
    const int stop = (end + 7) & ~7;
    for (int x = first & ~7; x < stop; x += PX) {
        // The last group ends with the rectangle: some pixels are made twice, alike.
        body(x + PX <= stop || stop < PX ? x : stop - PX);
    }
}

// Groups of the rectangle's width start at multiples of 8, or of PX where rows are too short.
void planes_rows(const Params& P, int y0, int y1) {
    for (int y = y0; y < y1; ++y)
        each_group(P.x0, P.x1, [&](int x) {
            Pixels px;  // in here, so that it can lie in registers
            PlaneSink sink = {P, (long long)y * P.pitch + x};
            evaluate(P, x, y, px, sink);
        });
}

// One row of three channels, as long as a frame's row or a picture's.
struct Line {
    float* channel[3];
    DEVICE float* operator[](int c) const { return channel[c]; }
};

Line line_of(float* memory, long long length) {
    return {{memory, memory + length, memory + 2 * length}};
}

void keyed_row(const Params& P, int y, int x_first, int x_end, bool single, Line line) {
    each_group(x_first, x_end, [&](int x) {
        Pixels px;
        float shown[3][PX];
        ViewSink sink = {shown};
        evaluate(P, x, y, px, sink);
        if (single) {
            EACH_PIXEL shown[0][p] = stress(P, shown[0][p]);
            EACH_PIXEL line[0][x + p] = shown[0][p];
        } else {
            EACH_CHANNEL EACH_PIXEL line[c][x + p] = shown[c][p];
        }
    });
}

void pool_row(int pooling, int channels, int x_first, int x_end, float share, Line from, Line to) {
    for (int c = 0; c < channels; ++c) {
        const float* v = from[c];
        float* acc = to[c];
        if (pooling == POOL_MEAN) {
            VECTORISED for (int x = x_first; x < x_end; ++x) acc[x] += share * v[x];
        } else if (pooling == POOL_MAX) {
            VECTORISED for (int x = x_first; x < x_end; ++x) acc[x] = fmaxf(acc[x], v[x]);
        } else {
            VECTORISED for (int x = x_first; x < x_end; ++x) acc[x] = fminf(acc[x], v[x]);
        }
    }
}

// Where every column of the picture is as many whole pixels wide as the next: how many, else 0.
int even_width(const Params& P) {
    const Box* columns = reinterpret_cast<const Box*>(P.columns);
    const int wide = columns[0].end - columns[0].first;
    for (int n = 0; n < P.picture_width; ++n) {
        const Box& box = columns[n];
        if (box.first != columns[0].first + n * wide || box.end - box.first != wide
            || box.share_first != box.share_last
            || (wide > 2 && box.share_inner != box.share_first))
            return 0;
    }
    return wide;
}

template <int WIDE>
void pool_evenly(int pooling, int count, float share, const float* from, float* to) {
    if (pooling == POOL_MEAN) {
        VECTORISED for (int n = 0; n < count; ++n) {
            float sum = 0.0f;
            for (int x = 0; x < WIDE; ++x) sum += share * from[n * WIDE + x];
            to[n] = sum;
        }
        return;
    }
    VECTORISED for (int n = 0; n < count; ++n) {
        float most = from[n * WIDE], least = most;
        for (int x = 1; x < WIDE; ++x) {
            most = fmaxf(most, from[n * WIDE + x]);
            least = fminf(least, from[n * WIDE + x]);
        }
        to[n] = pooling == POOL_MAX ? most : least;
    }
}

void pool_columns(const Params& P, int even, int channels, Line from, Line to) {
    const Box* columns = reinterpret_cast<const Box*>(P.columns);
    const int count = P.picture_width, pooling = POOLING(P);
    const float share = columns[0].share_first;
    for (int c = 0; c < channels; ++c) {
        const float* first = from[c] + columns[0].first;
        switch (even) {
            case 1: VECTORISED for (int n = 0; n < count; ++n) to[c][n] = first[n]; continue;
            case 2: pool_evenly<2>(pooling, count, share, first, to[c]); continue;
            case 3: pool_evenly<3>(pooling, count, share, first, to[c]); continue;
            case 4: pool_evenly<4>(pooling, count, share, first, to[c]); continue;
            default: break;
        }
        for (int column = 0; column < count; ++column) {
            const Box box = columns[column];
            float sum = pool_start(pooling);
            for (int x = box.first; x < box.end; ++x)
                pool<1>(pooling, &sum, from[c] + x, share_of(box, x));
            to[c][column] = sum;
        }
    }
}

template <int FINISH, bool CUBE, bool POWERS>
void finish_group(const Params& P, Line pooled, int x, unsigned char* codes) {
    EACH_PIXEL {
        float v[3] = {pooled[0][x + p], pooled[1][x + p], pooled[2][x + p]};
        finish(P, FINISH, CUBE, POWERS, v);
        codes[3 * p] = code_value(v[0]);
        codes[3 * p + 1] = code_value(v[1]);
        codes[3 * p + 2] = code_value(v[2]);
    }
}

void finish_any(const Params& P, Line pooled, int x, unsigned char* codes) {
    const float* power = P.look_power;
    const bool powers = power[0] != 1.0f || power[1] != 1.0f || power[2] != 1.0f;
    switch (P.finish) {
        case FINISH_MATTE: return finish_group<FINISH_MATTE, false, false>(P, pooled, x, codes);
        case FINISH_DECIDING: return finish_group<FINISH_DECIDING, false, false>(P, pooled, x, codes);
        case FINISH_EVENNESS: return finish_group<FINISH_EVENNESS, false, false>(P, pooled, x, codes);
        case FINISH_NOISE: return finish_group<FINISH_NOISE, false, false>(P, pooled, x, codes);
        default: break;
    }
    if (P.cube && powers) finish_group<FINISH_PICTURE, true, true>(P, pooled, x, codes);
    else if (P.cube) finish_group<FINISH_PICTURE, true, false>(P, pooled, x, codes);
    else if (powers) finish_group<FINISH_PICTURE, false, true>(P, pooled, x, codes);
    else finish_group<FINISH_PICTURE, false, false>(P, pooled, x, codes);
}

// Finishes a row of pooled values; its memory goes on to the next multiple of PX.
void finish_row(const Params& P, Line pooled, unsigned char* picture) {
    int x = 0;
    for (; x + PX <= P.picture_width; x += PX) finish_any(P, pooled, x, picture + 3 * x);
    if (x == P.picture_width) return;
    unsigned char last[3 * PX];
    finish_any(P, pooled, x, last);
    for (int n = 0; n < 3 * (P.picture_width - x); ++n) picture[3 * x + n] = last[n];
}

// Rows row0 .. row1 of the picture. False where there was no memory.
bool picture_rows(const Params& P, int row0, int row1) {
    const Box* columns = reinterpret_cast<const Box*>(P.columns);
    const Box* rows = reinterpret_cast<const Box*>(P.rows);
    const int x_first = columns[0].first & ~7;
    const int x_end = (columns[P.picture_width - 1].end + 7) & ~7;
    const bool single = (OUTPUTS(P) & SINGLE) != 0;
    const int channels = single ? 1 : 3, pooling = POOLING(P), even = even_width(P);
    const long long wide = P.pitch + PX, narrow = P.picture_width + PX;
    float* memory = static_cast<float*>(calloc(6 * wide + 3 * narrow, sizeof(float)));
    if (!memory) return false;
    const Line keyed = line_of(memory, wide), down = line_of(memory + 3 * wide, wide);
    const Line pooled = line_of(memory + 6 * wide, narrow);
    for (int row = row0, have = -1; row < row1; ++row) {
        const Box box = rows[row];
        const bool plain = box.end - box.first == 1;
        if (!plain)
            for (int c = 0; c < channels; ++c)
                for (int x = x_first; x < x_end; ++x) down[c][x] = pool_start(pooling);
        for (int y = box.first; y < box.end; ++y) {
            if (y != have) keyed_row(P, y, x_first, x_end, single, keyed);
            have = y;
            if (!plain) pool_row(pooling, channels, x_first, x_end, share_of(box, y), keyed, down);
        }
        pool_columns(P, even, channels, plain ? keyed : down, pooled);
        finish_row(P, pooled,
                   reinterpret_cast<unsigned char*>(P.picture)
                       + 3 * (long long)row * P.picture_width);
    }
    free(memory);
    return true;
}

}  // namespace

void ROWS(planes)(const void* params, int y0, int y1) {
    planes_rows(*static_cast<const Params*>(params), y0, y1);
}

bool ROWS(picture)(const void* params, int row0, int row1) {
    return picture_rows(*static_cast<const Params*>(params), row0, row1);
}

#if PX != 8
EXPORTED unsigned verdigris_size_pointwise() { return sizeof(Params); }

EXPORTED int verdigris_pointwise(Pool* pool, const void* given, unsigned) {
    const Params& P = *static_cast<const Params*>(given);
    const auto rows = P.pitch >= PX ? ROWS(planes) : planes_8;
    each_band(pool, P.y0, P.y1, 4, [&](int first, int end) { rows(given, first, end); });
    return 0;
}

EXPORTED unsigned verdigris_size_preview() { return sizeof(Params); }
EXPORTED int verdigris_preview(Pool* pool, const void* given, unsigned) {
    const Params& P = *static_cast<const Params*>(given);
    const auto rows = P.pitch >= PX ? ROWS(picture) : picture_8;
    bool failed = false;
    each_band(pool, 0, P.picture_height, 4, [&](int first, int end) {
        if (!rows(given, first, end)) __atomic_store_n(&failed, true, __ATOMIC_RELAXED);
    });
    return failed;
}

// Here the general kernel pools even boxes as quickly.
EXPORTED unsigned verdigris_size_preview_even() { return sizeof(Params); }
EXPORTED int verdigris_preview_even(Pool* pool, const void* given, unsigned deep) {
    return verdigris_preview(pool, given, deep);
}

// Pictures leave `preview` finished.
EXPORTED unsigned verdigris_size_finish_picture() { return sizeof(Params); }
EXPORTED int verdigris_finish_picture(Pool*, const void*, unsigned) { return 0; }
#endif

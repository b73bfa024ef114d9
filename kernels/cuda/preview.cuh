// Previews: pixels of the frame made one after the other and pooled to the picture's size, whatever
// makes them. Two ways: boxes of any size, and faster where boxes are even. Each pools in the same
// order in every form of the source. Included by pointwise.cu, after the size of its blocks.
#pragma once
#include "measures.cuh"
#include "pointwise.cuh"

#define POOLING(P) ((FLAGS(P) >> POOL_SHIFT) & 3)
#define POOL_MEAN 0
#define POOL_MAX 1
#define POOL_MIN 2
#define SINGLE (OUT_MATTE | OUT_EXTRACTOR)   // views of one plane

struct ViewSink {
    float (*shown)[PX];
    DEVICE void put(int, int c, const float* v) {
        if (c < 3) EACH_PIXEL shown[c][p] = v[p];
    }
};

DEVICE float pool_start(int pooling) {
    return pooling == POOL_MEAN ? 0.0f : (pooling == POOL_MAX ? -INFINITY : INFINITY);
}

// Takes COUNT values into their pools.
template <int COUNT>
DEVICE void pool(int pooling, float* acc, const float* v, float share) {
    if (pooling == POOL_MEAN) {
#pragma unroll
        for (int n = 0; n < COUNT; ++n) acc[n] += share * v[n];
    } else if (pooling == POOL_MAX) {
#pragma unroll
        for (int n = 0; n < COUNT; ++n) acc[n] = fmaxf(acc[n], v[n]);
    } else {
#pragma unroll
        for (int n = 0; n < COUNT; ++n) acc[n] = fminf(acc[n], v[n]);
    }
}

DEVICE float share_of(const Box& box, int at) {
    return at == box.first ? box.share_first : (at == box.end - 1 ? box.share_last : box.share_inner);
}

#define WARPS 4
#define SKEW(i) ((i) + ((i) >> 5))
#define STRIP_PITCH (STRIP + STRIP / 32)
#define START(x) EACH_CHANNEL x[c] = pool_start(POOLING(P))

// Pools over one column's pixels of the strip that begins at x0.
DEVICE void pool_across(const Params& P, const Box& box, const float (*strip)[STRIP_PITCH], int x0,
                        bool single, float* sum) {
    const int end = min(box.end, x0 + STRIP);
    for (int at = max(box.first, x0); at < end; ++at) {
        const float share = share_of(box, at);
        const int i = SKEW(at - x0);
        const float v[3] = {strip[0][i], single ? 0.0f : strip[1][i], single ? 0.0f : strip[2][i]};
        pool<3>(POOLING(P), sum, v, share);
    }
}

// Asks for what the next row needs, so that it is on its way while this one is keyed.
DEVICE void fetch_early(const Params& P, int x, int y) {
    const int flags = FLAGS(P);
    const long long at = (long long)y * P.pitch + x;
    EACH_CHANNEL {
        prefetch(plane_at(P.plate), flags & PLATE_HALF, at + c * P.plane);
        if (flags & HAS_CLEAN) prefetch(plane_at(P.clean), flags & CLEAN_HALF, at + c * P.plane);
        if (flags & HAS_BACKGROUND)
            prefetch(plane_at(P.background), flags & BACKGROUND_HALF, at + c * P.plane);
    }
}

// Each warp makes some rows of a few columns of the picture. Its threads walk down the source rows
// under one row, PX pixels each, pooling downwards in registers; then each thread pools across for
// one or more columns, from shared memory. Wide boxes take several strips.
template <class Work>
DEVICE void make_preview(const Params& P, Work work) {
    __shared__ float strips[WARPS][3][STRIP_PITCH];
    float (*strip)[STRIP_PITCH] = strips[threadIdx.y];
    const Box* columns = reinterpret_cast<const Box*>(P.columns);
    const Box* rows = reinterpret_cast<const Box*>(P.rows);
    const int tx = threadIdx.x, column0 = (int)blockIdx.x * P.tile_columns;
    const int column_end = min(column0 + P.tile_columns, P.picture_width);
    const int x_first = columns[column0].first & ~3, x_end = columns[column_end - 1].end;
    const int row0 = ((int)blockIdx.y * WARPS + (int)threadIdx.y) * P.tile_rows;
    const int row_end = min(row0 + P.tile_rows, P.picture_height);
    const bool single = (OUTPUTS(P) & SINGLE) != 0;

    float shown[3][PX];
    ViewSink sink = {shown};
    PIXELS(px, BLOCK_X * WARPS);
    for (int row = row0, have = -1; row < row_end; ++row) {
        const Box down = rows[row];
        float carried[3];
        START(carried);
        for (int x0 = x_first; x0 < x_end; x0 += STRIP) {
#pragma unroll 1
            for (int part = 0; part < PARTS; ++part) {
                const int at = (part * BLOCK_X + tx) * PX, x = x0 + at;
                float acc[3][PX];
                EACH_CHANNEL EACH_PIXEL acc[c][p] = pool_start(POOLING(P));
#pragma unroll 1
                for (int y = x < x_end ? down.first : down.end; y < down.end; ++y) {
                    // A row between two boxes is still in registers where nothing else was made.
                    if (PARTS > 1 || y != have || x_end - x_first > STRIP) {
                        if (y + 1 < down.end) fetch_early(P, x, y + 1);
                        work(P, x, y, px, sink);
                        if (single) EACH_PIXEL shown[0][p] = stress(P, shown[0][p]);
                    }
                    have = y;
                    const float share = share_of(down, y);
                    EACH_CHANNEL pool<PX>(POOLING(P), acc[c], shown[c], share);
                }
                EACH_CHANNEL EACH_PIXEL strip[c][SKEW(at + p)] = acc[c][p];
            }
            __syncwarp();
            if (x0 + STRIP < x_end) {
                pool_across(P, columns[column0], strip, x0, single, carried);
            } else {
                for (int column = column0 + tx; column < column_end; column += BLOCK_X) {
                    float sum[3] = {carried[0], carried[1], carried[2]};
                    pool_across(P, columns[column], strip, x0, single, sum);
                    float* out = reinterpret_cast<float*>(P.pooled)
                                 + ((long long)row * P.picture_width + column) * 3;
                    EACH_CHANNEL out[c] = sum[c];
                }
            }
            __syncwarp();
        }
    }
}

DEVICE float pooled_pair(int pooling, float a, float b) {
    return pooling == POOL_MEAN ? a + b : (pooling == POOL_MAX ? fmaxf(a, b) : fminf(a, b));
}

// Pools a thread's pixels with those of its neighbours under the same column: pairs, then pairs of
// pairs, so that every form of the source adds in the same order.
DEVICE float pooled_together(int pooling, const float* v, int column_bits) {
    float sum = pooled_pair(pooling, v[0], v[1]);
#if PX == 4
    sum = pooled_pair(pooling, sum, pooled_pair(pooling, v[2], v[3]));
#endif
    for (int n = 1; n < (1 << column_bits) / PX; n *= 2)
        sum = pooled_pair(pooling, sum, __shfl_xor_sync(~0u, sum, n));
    return sum;
}

// The same where each column is a power of two pixels wide, 4 to 64, begun at a multiple of 4, and
// each row 1, 2, 4 or 8 pixels high. A block keys a strip of EVEN_WARPS rows, one for each warp, and
// puts them together; threads hold nothing else while they key, so that more of them fit.
#define EVEN_WARPS 8
#define COLUMN_BITS(P) ((FLAGS(P) >> COLUMN_SHIFT) & 7)
#define ROW_BITS(P) ((FLAGS(P) >> ROW_SHIFT) & 3)
template <class Work>
DEVICE void make_even_preview(const Params& P, Work work) {
    __shared__ float pooled[EVEN_WARPS][3][STRIP / 4 + 1];
    PIXELS(px, BLOCK_X * EVEN_WARPS);
    const int tx = threadIdx.x, ty = threadIdx.y, pooling = POOLING(P);
    // Threads beyond the end do what the last one does; nothing is made of it.
    const int y = min(P.y0 + (int)blockIdx.y * EVEN_WARPS + ty, P.y1 - 1);
#pragma unroll 1
    for (int part = 0; part < PARTS; ++part) {
        const int at = (part * BLOCK_X + tx) * PX;
        float shown[3][PX];
        ViewSink sink = {shown};
        work(P, min(P.x0 + (int)blockIdx.x * STRIP + at, P.x1 - PX), y, px, sink);
        if (OUTPUTS(P) & SINGLE) {
            EACH_PIXEL {
                shown[0][p] = stress(P, shown[0][p]);
                shown[1][p] = shown[2][p] = 0.0f;
            }
        }
        EACH_CHANNEL {
            const float sum = pooled_together(pooling, shown[c], COLUMN_BITS(P));
            if ((at & ((1 << COLUMN_BITS(P)) - 1)) == 0) pooled[ty][c][at >> COLUMN_BITS(P)] = sum;
        }
    }
    __syncthreads();
    const int height = 1 << ROW_BITS(P), rows = EVEN_WARPS >> ROW_BITS(P);
    const int columns = STRIP >> COLUMN_BITS(P), column = (int)blockIdx.x * columns + tx;
    if (tx >= columns || column >= P.picture_width) return;
#pragma unroll 1
    for (int n = ty; n < 3 * rows; n += EVEN_WARPS) {
        const int c = n >> (3 - ROW_BITS(P)), down = n & (rows - 1), first = down * height;
        const int row = (int)blockIdx.y * rows + down;
        float sum = pooled[first][c][tx];
        for (int below = 1; below < height; ++below)
            sum = pooled_pair(pooling, sum, pooled[first + below][c][tx]);
        if (pooling == POOL_MEAN) sum *= P.box_share;
        float* out = reinterpret_cast<float*>(P.pooled)
                     + ((long long)row * P.picture_width + column) * 3 + c;
        if (row < P.picture_height) *out = sum;
    }
}

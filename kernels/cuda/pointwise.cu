// The fused launches: everything pointwise between two stages of a plan in one kernel.
//
//   pointwise  writes full-size planes (a stage's source, or results)
//   preview    keys at full resolution and pools to the size on the wire (finish.cu encodes it)
//   traffic, preview_traffic    read and write what those do and key nothing: their speed limits
//
// One source in two forms: as it is, structure is read from the arguments; with SPECIALISED defined
// (see kernels/cuda/sources.py) structure is constant and only one kernel is compiled. Values are
// arguments in both.
#if !defined(SPECIALISED) && !defined(LEAN) && !defined(PX)
#define PX 2
#endif
#include "measures.cuh"
#include "pointwise.cuh"

#define BLOCK_X 32
#define BLOCK_Y 8

// Blocks that should fit on a multiprocessor: more of them hide waiting better, but leave each
// thread fewer registers. Chosen by measurement.
#if defined(SPECIALISED)
#define POINTWISE_BLOCKS 4
#define PREVIEW_BLOCKS 5
#elif defined(LEAN)
#define POINTWISE_BLOCKS 4
#define PREVIEW_BLOCKS 4
#else
#define POINTWISE_BLOCKS 2
#define PREVIEW_BLOCKS 4
#endif
#define STRIP 128              // pixels of a row that 32 threads work on
#define PARTS (STRIP / (BLOCK_X * PX))

// First pixel of a block's strip; strips begin at multiples of 4.
DEVICE int strip_start(const Params& P) { return (P.x0 & ~3) + (int)blockIdx.x * STRIP; }

DEVICE constexpr int bit_number(int bit) {
    int n = 0;
    while (bit >> (n + 1)) ++n;
    return n;
}

struct PlaneSink {
    const Params& P;
    long long at;
    DEVICE void put(int bit, int c, const float* v) {
        store_px(reinterpret_cast<void*>(P.out[bit_number(bit)]), FLAGS(P) & OUTPUT_HALF,
                 at + c * P.plane, v);
    }
};

#if !defined(SPECIALISED) || S_KERNEL == KERNEL_POINTWISE
extern "C" __global__ void __launch_bounds__(BLOCK_X* BLOCK_Y, POINTWISE_BLOCKS)
pointwise(const __grid_constant__ Params P) {
    const int y = P.y0 + (int)(blockIdx.y * BLOCK_Y + threadIdx.y);
    if (y >= P.y1) return;
    PIXELS(px, BLOCK_X * BLOCK_Y);
#pragma unroll 1
    for (int part = 0; part < PARTS; ++part) {
        const int x = strip_start(P) + (part * BLOCK_X + (int)threadIdx.x) * PX;
        if (x >= P.x1) return;
        PlaneSink sink = {P, (long long)y * P.pitch + x};
        evaluate(P, x, y, px, sink);
    }
}
#endif

// The speed limits are only there in the specialised form, for the matte and the composite.
#ifdef SPECIALISED
// The sum of all that is read.
DEVICE void read_all(const Params& P, int x, int y, Pixels& px, float (*sum)[PX]) {
    const int flags = FLAGS(P);
    px.at = (long long)y * P.pitch + x;
    load_pixels(P, flags, px);
    if (flags & HAS_BACKDROP) {
        load3(P.backdrop, flags & BACKDROP_HALF, P.plane, px.at, sum);
    } else {
        EACH_CHANNEL EACH_PIXEL sum[c][p] = 0.0f;
    }
    EACH_CHANNEL EACH_PIXEL sum[c][p] += px.plate[c][p] + px.denoised(c, p) + px.clean[c][p];
}
#endif

#if defined(SPECIALISED) && S_KERNEL == KERNEL_TRAFFIC
extern "C" __global__ void __launch_bounds__(BLOCK_X* BLOCK_Y)
traffic(const __grid_constant__ Params P) {
    const int x = strip_start(P) + (int)threadIdx.x * PX;
    const int y = P.y0 + (int)(blockIdx.y * BLOCK_Y + threadIdx.y);
    if (x >= P.x1 || y >= P.y1) return;
    const int outputs = OUTPUTS(P);
    Pixels px;
    float sum[3][PX];
    read_all(P, x, y, px, sum);
    PlaneSink sink = {P, px.at};
    if (outputs & OUT_ALPHA) sink.put(OUT_ALPHA, 0, sum[0]);
    if (outputs & OUT_COMPOSITE) EACH_CHANNEL sink.put(OUT_COMPOSITE, c, sum[c]);
}
#endif

// ---------------------------------------------------------------- preview

#if !defined(SPECIALISED) || S_KERNEL == KERNEL_PREVIEW || S_KERNEL == KERNEL_PREVIEW_TRAFFIC
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
        if (flags & HAS_BACKDROP)
            prefetch(plane_at(P.backdrop), flags & BACKDROP_HALF, at + c * P.plane);
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

struct Keying {
    DEVICE void operator()(const Params& P, int x, int y, Pixels& px, ViewSink& sink) const {
        evaluate(P, x, y, px, sink);
    }
};

#if !defined(SPECIALISED) || S_KERNEL == KERNEL_PREVIEW
extern "C" __global__ void __launch_bounds__(BLOCK_X* WARPS, PREVIEW_BLOCKS)
preview(const __grid_constant__ Params P) {
    make_preview(P, Keying());
}
#endif

#if defined(SPECIALISED) && S_KERNEL == KERNEL_PREVIEW_TRAFFIC
struct Reading {
    DEVICE void operator()(const Params& P, int x, int y, Pixels& px, ViewSink& sink) const {
        read_all(P, x, y, px, sink.shown);
    }
};

extern "C" __global__ void __launch_bounds__(BLOCK_X* WARPS, PREVIEW_BLOCKS)
preview_traffic(const __grid_constant__ Params P) {
    make_preview(P, Reading());
}
#endif
#endif

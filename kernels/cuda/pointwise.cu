// The fused launches: everything pointwise between two stages of a plan in one kernel.
//
//   pointwise  writes full-size planes (a stage's source, or results)
//   preview    keys at full resolution, pools to the size on the wire, encodes for the display
//   traffic    reads and writes what `pointwise` does and computes nothing: the speed limit
//
// One source in two forms: as it is, structure is read from the arguments; with SPECIALISED defined
// (see kernels/cuda/sources.py) structure is constant and only one kernel is compiled. Values are
// arguments in both.
#ifndef SPECIALISED
#define PX 2
#endif
#include "display.cuh"
#include "pointwise.cuh"

#define BLOCK_X 32
#define BLOCK_Y 8
#ifdef SPECIALISED
#ifndef MIN_BLOCKS
#define MIN_BLOCKS 3
#endif
#else
#ifndef MIN_BLOCKS
#define MIN_BLOCKS 2
#endif
#endif
#define STRIP 128              // pixels of a row that 32 threads work on
#define PARTS (STRIP / (BLOCK_X * PX))

DEVICE constexpr int planes_of(int bit) {
    return bit == OUT_FOREGROUND ? 4
           : (bit & (OUT_NEUTRALISED | OUT_STRAIGHT | OUT_CUTOUT | OUT_COMPOSITE | OUT_WRAP)) ? 3
                                                                                             : 1;
}

// First plane of an output: outputs lie in the order of their bits.
DEVICE int plane_of(int outputs, int bit) {
    int plane = 0;
#pragma unroll
    for (int n = 0; n < 19; ++n)
        if ((1 << n) < bit && (outputs >> n & 1)) plane += planes_of(1 << n);
    return plane;
}

// First pixel of a block's strip; strips begin at multiples of 4.
DEVICE int strip_start(const Params& P) { return (P.x0 & ~3) + (int)blockIdx.x * STRIP; }

struct PlaneSink {
    const Params& P;
    long long at;
    DEVICE void put(int bit, int c, const float* v) {
        const long long plane = plane_of(OUTPUTS(P), bit) + c;
        store_px(reinterpret_cast<void*>(P.out), FLAGS(P) & OUTPUT_HALF, at + plane * P.plane, v);
    }
};

#if !defined(SPECIALISED) || S_KERNEL == KERNEL_POINTWISE
extern "C" __global__ void __launch_bounds__(BLOCK_X* BLOCK_Y, MIN_BLOCKS)
pointwise(const __grid_constant__ Params P) {
    const int y = P.y0 + (int)(blockIdx.y * BLOCK_Y + threadIdx.y);
    if (y >= P.y1) return;
#pragma unroll 1
    for (int part = 0; part < PARTS; ++part) {
        const int x = strip_start(P) + (part * BLOCK_X + (int)threadIdx.x) * PX;
        if (x >= P.x1) return;
        PlaneSink sink = {P, (long long)y * P.pitch + x};
        evaluate(P, x, y, sink);
    }
}
#endif

// Only the specialised form is measured.
#if defined(SPECIALISED) && S_KERNEL == KERNEL_TRAFFIC
extern "C" __global__ void __launch_bounds__(BLOCK_X* BLOCK_Y)
traffic(const __grid_constant__ Params P) {
    const int x = strip_start(P) + (int)threadIdx.x * PX;
    const int y = P.y0 + (int)(blockIdx.y * BLOCK_Y + threadIdx.y);
    if (x >= P.x1 || y >= P.y1) return;
    const int flags = FLAGS(P), outputs = OUTPUTS(P);
    Pixels px;
    px.at = (long long)y * P.pitch + x;
    load_pixels(P, flags, px);
    float back[3][PX], sum[PX];
    if (flags & HAS_BACKDROP) {
        load3(P.backdrop, flags & BACKDROP_HALF, P.plane, px.at, back);
    } else {
        EACH_CHANNEL EACH_PIXEL back[c][p] = 0.0f;
    }
    EACH_PIXEL {
        sum[p] = 0.0f;
        EACH_CHANNEL sum[p] += px.plate[c][p] + px.denoised[c][p] + px.clean[c][p] + back[c][p];
    }
    PlaneSink sink = {P, px.at};
    for (int n = 0; n < 19; ++n)
        if (outputs >> n & 1)
            for (int c = 0; c < planes_of(1 << n); ++c) sink.put(1 << n, c, sum);
}
#endif

// ---------------------------------------------------------------- preview

#if !defined(SPECIALISED) || S_KERNEL == KERNEL_PREVIEW
#define POOL_MEAN 0
#define POOL_MAX 1
#define POOL_MIN 2
#define FINISH_PICTURE 0
#define FINISH_MATTE 1
#define FINISH_DECIDING 2
#define FINISH_EVENNESS 3
#define FINISH_NOISE 4
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

DEVICE float pooled(int pooling, float acc, float v, float share) {
    if (pooling == POOL_MEAN) return acc + share * v;
    return pooling == POOL_MAX ? fmaxf(acc, v) : fminf(acc, v);
}

DEVICE float share_of(const Box& box, int at) {
    return at == box.first ? box.share_first : (at == box.end - 1 ? box.share_last : box.share_inner);
}

// A measure in its colour table, mixed with a dim grey picture where it says nothing.
DEVICE void measured(const Params& P, float* x) {
    float measure = x[0] / fmaxf(x[1], 1e-6f);
    measure = P.finish == FINISH_EVENNESS ? (measure + 1.0f) * 0.5f : measure / 0.1f;
    const float* table = reinterpret_cast<const float*>(P.false_colour);
    const float w = x[1], dim = 0.35f * srgb_encode(x[2]);
#pragma unroll
    for (int c = 0; c < 3; ++c)
        x[c] = w * lerp_table(table + c, 256, 3, clamp01(measure)) + (1.0f - w) * dim;
}

APART void finish(const Params& P, float* x) {
    switch (P.finish) {
        case FINISH_MATTE: x[1] = x[2] = x[0]; return;
        case FINISH_DECIDING:
#pragma unroll
            for (int c = 0; c < 3; ++c) x[c] = srgb_encode(x[c]);
            return;
        case FINISH_EVENNESS:
        case FINISH_NOISE: measured(P, x); return;
        default: break;
    }
    look(P, x);
    pick_channel(P, x);
    if (P.cube) apply_display(P, x);
    else srgb_display(x);
}

#define TILE_SKEW(i) ((i) + ((i) >> 5))
#define TILE_PITCH (STRIP + STRIP / 32)

// A block makes 32 columns of up to 8 rows of the picture. It walks over the source pixels under
// them in strips of 128 x 8: all threads evaluate 4 pixels each, then each thread pools one row of
// one column, then one column.
extern "C" __global__ void __launch_bounds__(BLOCK_X* BLOCK_Y, MIN_BLOCKS)
preview(const __grid_constant__ Params P) {
    __shared__ float tile[3][BLOCK_Y][TILE_PITCH];
    __shared__ float lines[3][BLOCK_Y][BLOCK_X + 1];
    const Box* columns = reinterpret_cast<const Box*>(P.columns);
    const Box* rows = reinterpret_cast<const Box*>(P.rows);
    const int tx = threadIdx.x, ty = threadIdx.y;
    const int column0 = (int)blockIdx.x * BLOCK_X, row0 = (int)blockIdx.y * P.tile_rows;
    const int column = min(column0 + tx, P.picture_width - 1);
    const int row = min(row0 + min(ty, P.tile_rows - 1), P.picture_height - 1);
    const Box across = columns[column], down = rows[row];
    const int x_first = columns[column0].first & ~3;
    const int x_end = columns[min(column0 + BLOCK_X, P.picture_width) - 1].end;
    const int y_first = rows[row0].first;
    const int y_end = rows[min(row0 + P.tile_rows, P.picture_height) - 1].end;
    const bool single = (OUTPUTS(P) & SINGLE) != 0;

    float sum[3];
    EACH_CHANNEL sum[c] = pool_start(P.pooling);
    for (int y0 = y_first; y0 < y_end; y0 += BLOCK_Y) {
        float line[3];
        EACH_CHANNEL line[c] = pool_start(P.pooling);
        for (int x0 = x_first; x0 < x_end; x0 += STRIP) {
#pragma unroll 1
            for (int part = 0; part < PARTS; ++part) {
                const int at = (part * BLOCK_X + tx) * PX, x = x0 + at, y = y0 + ty;
                if (x >= x_end || y >= y_end) break;
                float shown[3][PX];
                ViewSink sink = {shown};
                evaluate(P, x, y, sink);
                EACH_PIXEL {
                    tile[0][ty][TILE_SKEW(at + p)] = single ? stress(P, shown[0][p]) : shown[0][p];
                    if (!single) {
                        tile[1][ty][TILE_SKEW(at + p)] = shown[1][p];
                        tile[2][ty][TILE_SKEW(at + p)] = shown[2][p];
                    }
                }
            }
            __syncthreads();
            if (y0 + ty < y_end) {
                const int end = min(across.end, x0 + STRIP);
                for (int at = max(across.first, x0); at < end; ++at) {
                    const float share = share_of(across, at);
                    const int i = TILE_SKEW(at - x0);
                    line[0] = pooled(P.pooling, line[0], tile[0][ty][i], share);
                    if (!single) {
                        line[1] = pooled(P.pooling, line[1], tile[1][ty][i], share);
                        line[2] = pooled(P.pooling, line[2], tile[2][ty][i], share);
                    }
                }
            }
            __syncthreads();
        }
        EACH_CHANNEL lines[c][ty][tx] = line[c];
        __syncthreads();
        if (ty < P.tile_rows) {
            const int end = min(down.end, y0 + BLOCK_Y);
#pragma unroll 1
            for (int at = max(down.first, y0); at < end; ++at) {
                const float share = share_of(down, at);
                EACH_CHANNEL sum[c] = pooled(P.pooling, sum[c], lines[c][at - y0][tx], share);
            }
        }
    }
    if (ty >= P.tile_rows || column0 + tx >= P.picture_width || row0 + ty >= P.picture_height) return;
    finish(P, sum);
    unsigned char* out = reinterpret_cast<unsigned char*>(P.picture)
                         + ((long long)row * P.picture_width + column) * 3;
    EACH_CHANNEL out[c] = code_value(sum[c]);
}
#endif

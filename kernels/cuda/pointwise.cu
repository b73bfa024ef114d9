// The fused launches: everything pointwise between two stages of a plan in one kernel.
//
//   pointwise  writes full-size planes (a stage's source, or results)
//   preview    keys at full resolution and pools to the size on the wire (finish.cu encodes it)
//   preview_even    the same, faster, where pixels and picture fit each other as on an even grid
//   traffic, preview_traffic, preview_even_traffic    read and write what those do and key nothing:
//              their speed limits
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
#define EVEN_BLOCKS 4
#elif defined(LEAN)
#define POINTWISE_BLOCKS 4
#define PREVIEW_BLOCKS 4
#define EVEN_BLOCKS 4
#else
#define POINTWISE_BLOCKS 2
#define PREVIEW_BLOCKS 4
#define EVEN_BLOCKS 2
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
    if (flags & HAS_BACKGROUND) {
        load3(P.background, flags & BACKGROUND_HALF, P.plane, px.at, sum);
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

#if !defined(SPECIALISED) || S_KERNEL >= KERNEL_PREVIEW
#include "preview.cuh"

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

#if !defined(SPECIALISED) || S_KERNEL == KERNEL_PREVIEW_EVEN
extern "C" __global__ void __launch_bounds__(BLOCK_X* EVEN_WARPS, EVEN_BLOCKS)
preview_even(const __grid_constant__ Params P) {
    make_even_preview(P, Keying());
}
#endif

#if defined(SPECIALISED) && S_KERNEL >= KERNEL_PREVIEW_TRAFFIC
struct Reading {
    DEVICE void operator()(const Params& P, int x, int y, Pixels& px, ViewSink& sink) const {
        read_all(P, x, y, px, sink.shown);
    }
};

#if S_KERNEL == KERNEL_PREVIEW_TRAFFIC
extern "C" __global__ void __launch_bounds__(BLOCK_X* WARPS, PREVIEW_BLOCKS)
preview_traffic(const __grid_constant__ Params P) {
    make_preview(P, Reading());
}
#else
extern "C" __global__ void __launch_bounds__(BLOCK_X* EVEN_WARPS, EVEN_BLOCKS)
preview_even_traffic(const __grid_constant__ Params P) {
    make_even_preview(P, Reading());
}
#endif
#endif
#endif

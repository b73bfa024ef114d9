// Denoising: averages of what looks alike in a frame and its neighbours; the same formulas as
// kernels/reference/denoise.py.
//
//   denoise_guide    a picture with its noise made the same at every level and in every channel
//   denoise_average  takes in one frame: weights from the guides, sums of the pictures
//   denoise_finish   divides, and puts luminance back
#include "compat.cuh"

#define REACH 5                 // the largest
#define PATCH 1
#define TILE_X 32
#define TILE_Y 8
#define MARGIN (REACH + PATCH)
#define SPAN_X (TILE_X + 2 * MARGIN)
#define SPAN_Y (TILE_Y + 2 * MARGIN)
#define PATCH_AREA ((2 * PATCH + 1) * (2 * PATCH + 1))

// All planes of a frame are float, with one pitch and one stride.
struct GuideArgs {
    u64 source, target;
    long long stride;
    int pitch, width, height, unused;
    float gain[3], start[3], slope[3], mixing[9];  // start: sqrt(3/8 gain^2 + offset)
};

struct AverageArgs {
    u64 guide, other, picture;       // of the frame itself, and of the frame that is taken in
    u64 total, share;
    long long stride;
    int pitch, width, height;
    int reach, own;                  // own: it is the frame itself; its centre counts as 1
    float scale, constant;           // a weight is exp(min(scale * sum + constant, 0))
};

struct FinishArgs {
    u64 plate, total, share, target;
    long long stride;
    int pitch, width, height;
    float keep, weights[3];
};

DEVICE const float* values(u64 planes) { return reinterpret_cast<const float*>(planes); }
DEVICE float* writable(u64 planes) { return reinterpret_cast<float*>(planes); }

// Mirrored about the ends, which are not repeated.
DEVICE int mirrored(int at, int count) {
    if (at >= 0 && at < count) return at;
    const int turn = 2 * (count - 1);
    if (turn == 0) return 0;
    at %= turn;
    if (at < 0) at += turn;
    return at < count ? at : turn - at;
}

// One channel of a guide before the channels are mixed.
DEVICE float stabilised(const GuideArgs& a, int c, float v) {
    const float above = fmaxf(v, 0.0f), below = fminf(v, 0.0f) * (1.0f / a.start[c]);
    const float g =
        a.slope[c] == 0.0f
            ? above * (1.0f / a.start[c])
            : a.slope[c] * (sqrtf(a.gain[c] * above + a.start[c] * a.start[c]) - a.start[c]);
    return g + below;
}

extern "C" __global__ void __launch_bounds__(256) denoise_guide(const GuideArgs a) {
    const int x = blockIdx.x * TILE_X + threadIdx.x, y = blockIdx.y * TILE_Y + threadIdx.y;
    if (x >= a.width || y >= a.height) return;
    const long long at = (long long)y * a.pitch + x;
    float g[3];
    EACH_CHANNEL g[c] = stabilised(a, c, values(a.source)[at + c * a.stride]);
    EACH_CHANNEL writable(a.target)[at + c * a.stride] =
        a.mixing[3 * c] * g[0] + a.mixing[3 * c + 1] * g[1] + a.mixing[3 * c + 2] * g[2];
}

// Each thread makes one pixel; the other frame's guide is in shared memory, as far as it is seen.
extern "C" __global__ void __launch_bounds__(TILE_X* TILE_Y) denoise_average(const AverageArgs a) {
    __shared__ float other[3][SPAN_Y][SPAN_X];
    const int x0 = blockIdx.x * TILE_X, y0 = blockIdx.y * TILE_Y;
    const int x = x0 + threadIdx.x, y = y0 + threadIdx.y;
    for (int n = threadIdx.y * TILE_X + threadIdx.x; n < SPAN_X * SPAN_Y; n += TILE_X * TILE_Y) {
        const int column = n % SPAN_X, row = n / SPAN_X;
        const long long from = (long long)mirrored(y0 + row - MARGIN, a.height) * a.pitch
                               + mirrored(x0 + column - MARGIN, a.width);
        EACH_CHANNEL other[c][row][column] = values(a.other)[from + c * a.stride];
    }
    __syncthreads();
    if (x >= a.width || y >= a.height) return;
    float patch[3][PATCH_AREA];
#pragma unroll
    for (int n = 0; n < PATCH_AREA; ++n) {
        const long long from = (long long)mirrored(y + n / 3 - PATCH, a.height) * a.pitch
                               + mirrored(x + n % 3 - PATCH, a.width);
        EACH_CHANNEL patch[c][n] = values(a.guide)[from + c * a.stride];
    }
    const long long at = (long long)y * a.pitch + x;
    float total[3], share;
    EACH_CHANNEL total[c] = a.own ? values(a.picture)[at + c * a.stride]
                                  : values(a.total)[at + c * a.stride];
    share = a.own ? 1.0f : values(a.share)[at];
#pragma unroll 1
    for (int dy = -a.reach; dy <= a.reach; ++dy) {
        const long long row = (long long)mirrored(y + dy, a.height) * a.pitch;
#pragma unroll 1
        for (int dx = -a.reach; dx <= a.reach; ++dx) {
            if (a.own && dx == 0 && dy == 0) continue;
            float sum = 0.0f;
#pragma unroll
            for (int n = 0; n < PATCH_AREA; ++n) {
                EACH_CHANNEL {
                    const float apart =
                        other[c][threadIdx.y + dy + REACH + n / 3][threadIdx.x + dx + REACH + n % 3]
                        - patch[c][n];
                    sum += apart * apart;
                }
            }
            const float weight = expf(fminf(a.scale * sum + a.constant, 0.0f));
            const long long from = row + mirrored(x + dx, a.width);
            EACH_CHANNEL total[c] += weight * values(a.picture)[from + c * a.stride];
            share += weight;
        }
    }
    EACH_CHANNEL writable(a.total)[at + c * a.stride] = total[c];
    writable(a.share)[at] = share;
}

extern "C" __global__ void __launch_bounds__(256) denoise_finish(const FinishArgs a) {
    const int x = blockIdx.x * TILE_X + threadIdx.x, y = blockIdx.y * TILE_Y + threadIdx.y;
    if (x >= a.width || y >= a.height) return;
    const long long at = (long long)y * a.pitch + x;
    const float share = values(a.share)[at];
    float v[3], change = 0.0f;
    EACH_CHANNEL {
        v[c] = values(a.total)[at + c * a.stride] / share;
        change += a.weights[c] * (values(a.plate)[at + c * a.stride] - v[c]);
    }
    EACH_CHANNEL writable(a.target)[at + c * a.stride] = v[c] + a.keep * change;
}

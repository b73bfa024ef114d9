// Separable Gaussian of float or half planes, replicated border, taps given by the host.
// The same result as kernels/reference/refine.py `blur`.
#include "compat.cuh"

struct BlurArgs {
    u64 source;       // first plane
    u64 target;       // float planes
    u64 taps;         // 2 radius + 1 floats that add up to 1
    long long source_stride, target_stride;  // values between planes (blockIdx.z)
    int pitch;        // values in a row, both sides
    int x0, y0, x1, y1;
    int radius;
    int source_half;
};

#define ROW_THREADS 32
#define ROW_OUT 8                       // outputs of a thread
#define ROW_SPAN (ROW_THREADS * ROW_OUT)
#define ROW_LINES 4                     // rows of a block

// Position in shared memory, one gap after each ROW_OUT values against bank conflicts.
#define SKEW(i) ((i) + ((i) / ROW_OUT))

// Along rows. Block (32, 4): 256 outputs of each of 4 rows; the strip and the taps in shared memory.
extern "C" __global__ void __launch_bounds__(ROW_THREADS * ROW_LINES)
blur_rows(const BlurArgs a) {
    DYNAMIC_SHARED(float, shared);
    const int r = a.radius, taps = 2 * r + 1;
    const int strip = ROW_SPAN + 2 * r;
    float* w = shared;
    float* line = shared + ((taps + 7) & ~7) + threadIdx.y * SKEW(strip + ROW_OUT);
    const int first = a.x0 + (int)blockIdx.x * ROW_SPAN;
    const int y = a.y0 + (int)blockIdx.y * ROW_LINES + (int)threadIdx.y;
    const float* given = reinterpret_cast<const float*>(a.taps);
    for (int i = threadIdx.y * ROW_THREADS + threadIdx.x; i < taps; i += ROW_THREADS * ROW_LINES)
        w[i] = given[i];
    const bool inside = y < a.y1;
    if (inside) {
        const long long row = blockIdx.z * a.source_stride + (long long)y * a.pitch;
        const void* source = reinterpret_cast<const void*>(a.source);
        for (int i = threadIdx.x; i < strip; i += ROW_THREADS) {
            const int x = min(max(first - r + i, a.x0), a.x1 - 1);
            line[SKEW(i)] = load1(source, a.source_half, row + x);
        }
    }
    __syncthreads();
    if (!inside) return;
    float sum[ROW_OUT], v[ROW_OUT];
    const int base = threadIdx.x * ROW_OUT;
#pragma unroll
    for (int o = 0; o < ROW_OUT; ++o) {
        sum[o] = 0.0f;
        v[o] = line[SKEW(base + o)];
    }
    // v holds the ROW_OUT values from base + t on; each step uses them and takes in one more.
    for (int t = 0; t < taps; t += ROW_OUT) {
#pragma unroll
        for (int s = 0; s < ROW_OUT; ++s) {
            if (t + s < taps) {
                const float weight = w[t + s];
#pragma unroll
                for (int o = 0; o < ROW_OUT; ++o)
                    sum[o] += weight * v[(o + s) % ROW_OUT];
                v[s] = line[SKEW(base + t + s + ROW_OUT)];
            }
        }
    }
    float* target = reinterpret_cast<float*>(a.target) + blockIdx.z * a.target_stride
                    + (long long)y * a.pitch;
#pragma unroll
    for (int o = 0; o < ROW_OUT; ++o)
        if (first + base + o < a.x1) target[first + base + o] = sum[o];
}

#define COLUMN_OUT 16

// Along columns. Block (32, 8): each thread makes 16 outputs below one another; reads are
// coalesced and shared through the cache.
extern "C" __global__ void __launch_bounds__(256) blur_columns(const BlurArgs a) {
    DYNAMIC_SHARED(float, w);
    const int r = a.radius, taps = 2 * r + 1;
    const float* given = reinterpret_cast<const float*>(a.taps);
    for (int i = threadIdx.y * 32 + threadIdx.x; i < taps; i += 256) w[i] = given[i];
    __syncthreads();
    const int x = a.x0 + (int)(blockIdx.x * 32 + threadIdx.x);
    const int first = a.y0 + ((int)blockIdx.y * 8 + (int)threadIdx.y) * COLUMN_OUT;
    if (x >= a.x1 || first >= a.y1) return;
    const float* source = reinterpret_cast<const float*>(a.source) + blockIdx.z * a.source_stride + x;
    float sum[COLUMN_OUT], v[COLUMN_OUT];
#pragma unroll
    for (int o = 0; o < COLUMN_OUT; ++o) {
        sum[o] = 0.0f;
        v[o] = source[(long long)min(max(first - r + o, a.y0), a.y1 - 1) * a.pitch];
    }
    for (int t = 0; t < taps; t += COLUMN_OUT) {
#pragma unroll
        for (int s = 0; s < COLUMN_OUT; ++s) {
            if (t + s < taps) {
                const float weight = w[t + s];
#pragma unroll
                for (int o = 0; o < COLUMN_OUT; ++o)
                    sum[o] += weight * v[(o + s) % COLUMN_OUT];
                const int next = first - r + t + s + COLUMN_OUT;
                v[s] = source[(long long)min(max(next, a.y0), a.y1 - 1) * a.pitch];
            }
        }
    }
    float* target = reinterpret_cast<float*>(a.target) + blockIdx.z * a.target_stride + x;
#pragma unroll
    for (int o = 0; o < COLUMN_OUT; ++o)
        if (first + o < a.y1) target[(long long)(first + o) * a.pitch] = sum[o];
}

// Moving planes between layouts: padded or tight rows, half or float.
#include "compat.cuh"

struct CopyArgs {
    u64 source, target;
    long long source_stride, target_stride;  // values between planes (blockIdx.z)
    int source_pitch, target_pitch;          // values between rows
    int source_half, target_half;
    int x0, y0;                              // of the rectangle in the source
    int width, height;                       // of the rectangle; it lands at (0, 0)
};

extern "C" __global__ void __launch_bounds__(256) copy_planes(const CopyArgs a) {
    const int x = blockIdx.x * 32 + threadIdx.x, y = blockIdx.y * 8 + threadIdx.y;
    if (x >= a.width || y >= a.height) return;
    const long long from = blockIdx.z * a.source_stride
                           + (long long)(a.y0 + y) * a.source_pitch + a.x0 + x;
    const long long to = blockIdx.z * a.target_stride + (long long)y * a.target_pitch + x;
    const float v = load1(reinterpret_cast<const void*>(a.source), a.source_half, from);
    if (a.target_half) {
        const float held = v != v ? v : fminf(fmaxf(v, -HALF_MAX), HALF_MAX);
        reinterpret_cast<u16*>(a.target)[to] = half_from_float(held);
    } else {
        reinterpret_cast<float*>(a.target)[to] = v;
    }
}

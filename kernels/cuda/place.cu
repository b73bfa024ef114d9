// The background placed to fill the frame; the same formulas as kernels/reference/background.py.
// Coordinates in double: they decide which pixels are mixed.
#include "compat.cuh"

struct PlaceArgs {
    u64 source, target;
    long long source_stride, target_stride;
    int source_pitch, source_width, source_height, source_half;
    int target_pitch, width, height, target_half;
    int kind, factor;            // 0 picture, 1 colour, 2 ramp, 3 checker; block size of a picture
    double move_x, move_y, cosine, sine, scale, centre_x, centre_y;
    double side, soft;           // of the checker's squares
    float colour[3];
    float exposure;
};

struct BlockMeanArgs {
    u64 source, target;
    long long source_stride, target_stride;
    int source_pitch, source_width, source_height, source_half;
    int target_pitch, width, height, factor;
};

// Mean of a factor x factor block; a block cut by the picture's end is the mean of what is there.
DEVICE float block_mean_at(const BlockMeanArgs& a, int c, int x, int y) {
    const int x1 = min((x + 1) * a.factor, a.source_width);
    const int y1 = min((y + 1) * a.factor, a.source_height);
    double total = 0.0;
    for (int v = y * a.factor; v < y1; ++v)
        for (int u = x * a.factor; u < x1; ++u)
            total += load1(reinterpret_cast<const void*>(a.source), a.source_half,
                           c * a.source_stride + (long long)v * a.source_pitch + u);
    const double count = (double)(x1 - x * a.factor) * (double)(y1 - y * a.factor);
    return (float)(total / count);
}

extern "C" __global__ void __launch_bounds__(256) block_mean(const BlockMeanArgs a) {
    const int x = blockIdx.x * 32 + threadIdx.x, y = blockIdx.y * 8 + threadIdx.y;
    if (x >= a.width || y >= a.height) return;
    reinterpret_cast<float*>(a.target)[blockIdx.z * a.target_stride
                                       + (long long)y * a.target_pitch + x] =
        block_mean_at(a, blockIdx.z, x, y);
}

// Square wave of period 2 with -1 first, its jumps straight lines.
DEVICE double wave(double t, double soft) {
    const double u = t + 0.5;
    const double distance = fabs(u - 2.0 * floor(u / 2.0) - 1.0) - 0.5;
    return fmin(fmax(distance / (soft / 2.0), -1.0), 1.0);
}

DEVICE float bilinear(const PlaceArgs& a, int c, double u, double v) {
    u = fmin(fmax(u - 0.5, 0.0), (double)(a.source_width - 1));
    v = fmin(fmax(v - 0.5, 0.0), (double)(a.source_height - 1));
    const int left = min((int)floor(u), max(a.source_width - 2, 0));
    const int top = min((int)floor(v), max(a.source_height - 2, 0));
    const int right = min(left + 1, a.source_width - 1), bottom = min(top + 1, a.source_height - 1);
    const float fx = (float)(u - left), fy = (float)(v - top);
    const void* source = reinterpret_cast<const void*>(a.source);
    const long long upper = c * a.source_stride + (long long)top * a.source_pitch;
    const long long lower = c * a.source_stride + (long long)bottom * a.source_pitch;
    const float high = load1(source, a.source_half, upper + left) * (1.0f - fx)
                       + load1(source, a.source_half, upper + right) * fx;
    const float low = load1(source, a.source_half, lower + left) * (1.0f - fx)
                      + load1(source, a.source_half, lower + right) * fx;
    return high * (1.0f - fy) + low * fy;
}

DEVICE void place_at(const PlaceArgs& a, int x, int y) {
    const double dx = x + 0.5 - a.width / 2.0 - a.move_x, dy = y + 0.5 - a.height / 2.0 - a.move_y;
    const double u = (a.cosine * dx + a.sine * dy) / a.scale + a.centre_x;
    const double v = (-a.sine * dx + a.cosine * dy) / a.scale + a.centre_y;
    for (int c = 0; c < 3; ++c) {
        float value;
        switch (a.kind) {
            case 0:
                value = a.source ? bilinear(a, c, u / a.factor, v / a.factor) : 0.0f;
                break;
            case 1: value = a.colour[c]; break;
            case 2: value = (float)fmin(fmax(u / a.width, 0.0), 1.0); break;
            default:
                value = (float)(0.18 + 0.09 * wave(u / a.side, a.soft) * wave(v / a.side, a.soft));
        }
        value *= a.exposure;
        const long long to = c * a.target_stride + (long long)y * a.target_pitch + x;
        if (a.target_half)
            reinterpret_cast<u16*>(a.target)[to] =
                half_from_float(fminf(fmaxf(value, -HALF_MAX), HALF_MAX));
        else
            reinterpret_cast<float*>(a.target)[to] = value;
    }
}

extern "C" __global__ void __launch_bounds__(256) place(const PlaceArgs a) {
    const int x = blockIdx.x * 32 + threadIdx.x, y = blockIdx.y * 8 + threadIdx.y;
    if (x < a.width && y < a.height) place_at(a, x, y);
}

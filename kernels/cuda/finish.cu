// From pooled values to the 8-bit picture: look and display transform, or a measure's colour table.
// The same as `finish_view` in kernels/reference/view.py.
#include "display.cuh"

#define FINISH_PICTURE 0
#define FINISH_MATTE 1
#define FINISH_DECIDING 2
#define FINISH_EVENNESS 3
#define FINISH_NOISE 4

// A measure in its colour table, mixed with a dim grey picture where it says nothing.
DEVICE void measured(const Params& P, int kind, float* x) {
    float measure = x[0] / fmaxf(x[1], 1e-6f);
    measure = kind == FINISH_EVENNESS ? (measure + 1.0f) * 0.5f : measure / 0.1f;
    const float* table = reinterpret_cast<const float*>(P.false_colour);
    const float w = x[1], dim = 0.35f * srgb_encode(x[2]);
#pragma unroll
    for (int c = 0; c < 3; ++c)
        x[c] = w * lerp_table(table + c, 256, 3, clamp01(measure)) + (1.0f - w) * dim;
}

// kind: P.finish; cube: whether there is one; powers: whether the look has any. Given, so that they can
// be constants.
DEVICE void finish(const Params& P, int kind, bool cube, bool powers, float* x) {
    switch (kind) {
        case FINISH_MATTE: x[1] = x[2] = x[0]; return;
        case FINISH_DECIDING:
#pragma unroll
            for (int c = 0; c < 3; ++c) x[c] = srgb_encode(x[c]);
            return;
        case FINISH_EVENNESS:
        case FINISH_NOISE: measured(P, kind, x); return;
        default: break;
    }
    look(P, powers, x);
    pick_channel(P, x);
    if (cube) apply_display(P, x);
    else srgb_display(x);
}

extern "C" __global__ void __launch_bounds__(256) finish_picture(const __grid_constant__ Params P) {
    const int x = blockIdx.x * 32 + threadIdx.x, y = blockIdx.y * 8 + threadIdx.y;
    if (x >= P.picture_width || y >= P.picture_height) return;
    const long long at = ((long long)y * P.picture_width + x) * 3;
    const float* from = reinterpret_cast<const float*>(P.pooled) + at;
    unsigned char* to = reinterpret_cast<unsigned char*>(P.picture) + at;
    float v[3] = {from[0], from[1], from[2]};
    finish(P, P.finish, P.cube != 0, true, v);
    EACH_CHANNEL to[c] = code_value(v[c]);
}

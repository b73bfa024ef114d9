// Planes moved between layouts, and the background placed: kernels/cuda/planes.cu and place.cu.
#define VERDIGRIS_WIDE "wide.hpp"

#include "pool.hpp"

namespace {

#include "planes.cu"
#include "place.cu"

template <class From, class To, class Change>
void copied(const CopyArgs& a, int deep, int y0, int y1, const Change& change) {
    for (int c = 0; c < deep; ++c) {
        for (int y = y0; y < y1; ++y) {
            const From* from = reinterpret_cast<const From*>(a.source) + c * a.source_stride
                               + (long long)(a.y0 + y) * a.source_pitch + a.x0;
            To* to = reinterpret_cast<To*>(a.target) + c * a.target_stride
                     + (long long)y * a.target_pitch;
            VECTORISED for (int x = 0; x < a.width; ++x) to[x] = change(from[x]);
        }
    }
}

DEVICE u16 held_half(float v) {
    const float held = v != v ? v : fminf(fmaxf(v, -HALF_MAX), HALF_MAX);
    return half_from_float(held);
}

void copied_rows(const CopyArgs& a, int deep, int y0, int y1) {
    if (a.source_half && a.target_half)
        copied<u16, u16>(a, deep, y0, y1, [](u16 v) { return held_half(float_from_half(v)); });
    else if (a.source_half)
        copied<u16, float>(a, deep, y0, y1, [](u16 v) { return float_from_half(v); });
    else if (a.target_half)
        copied<float, u16>(a, deep, y0, y1, [](float v) { return held_half(v); });
    else
        copied<float, float>(a, deep, y0, y1, [](float v) { return v; });
}

// Means of 2 x 2 floats, where every block is whole.
void halved_row(const BlockMeanArgs& a, int c, int y) {
    const float* above = reinterpret_cast<const float*>(a.source) + c * a.source_stride
                         + 2LL * y * a.source_pitch;
    const float* below = above + a.source_pitch;
    float* to = reinterpret_cast<float*>(a.target) + c * a.target_stride
                + (long long)y * a.target_pitch;
    VECTORISED for (int x = 0; x < a.width; ++x)
        to[x] = ((above[2 * x] + above[2 * x + 1]) + (below[2 * x] + below[2 * x + 1])) * 0.25f;
}

void mean_rows(const BlockMeanArgs& a, int deep, int y0, int y1) {
    const bool plain = a.factor == 2 && !a.source_half && 2 * a.width == a.source_width
                       && 2 * a.height == a.source_height;
    for (int c = 0; c < deep; ++c) {
        for (int y = y0; y < y1; ++y) {
            if (plain) {
                halved_row(a, c, y);
                continue;
            }
            float* to = reinterpret_cast<float*>(a.target) + c * a.target_stride
                        + (long long)y * a.target_pitch;
            for (int x = 0; x < a.width; ++x) to[x] = block_mean_at(a, c, x, y);
        }
    }
}

void placed_rows(const PlaceArgs& a, int y0, int y1) {
    for (int y = y0; y < y1; ++y)
        for (int x = 0; x < a.width; ++x) place_at(a, x, y);
}

}  // namespace

EXPORTED unsigned verdigris_size_copy_planes() { return sizeof(CopyArgs); }
EXPORTED int verdigris_copy_planes(Pool* pool, const void* given, unsigned deep) {
    const CopyArgs& a = *static_cast<const CopyArgs*>(given);
    each_band(pool, 0, a.height, 16, [&](int y0, int y1) { copied_rows(a, (int)deep, y0, y1); });
    return 0;
}

EXPORTED unsigned verdigris_size_block_mean() { return sizeof(BlockMeanArgs); }
EXPORTED int verdigris_block_mean(Pool* pool, const void* given, unsigned deep) {
    const BlockMeanArgs& a = *static_cast<const BlockMeanArgs*>(given);
    each_band(pool, 0, a.height, 4, [&](int y0, int y1) { mean_rows(a, (int)deep, y0, y1); });
    return 0;
}

EXPORTED unsigned verdigris_size_place() { return sizeof(PlaceArgs); }
EXPORTED int verdigris_place(Pool* pool, const void* given, unsigned) {
    const PlaceArgs& a = *static_cast<const PlaceArgs*>(given);
    each_band(pool, 0, a.height, 8, [&](int y0, int y1) { placed_rows(a, y0, y1); });
    return 0;
}

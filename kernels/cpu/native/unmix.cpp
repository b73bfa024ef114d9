// Unmixing on the processor: kernels/cuda/unmix.cuh on wide groups, candidates sampled row by row.
#define VERDIGRIS_WIDE "wide.hpp"
#undef PX
#define PX 16   // one vector of the widest processors: a pixel has much to remember here

#include "memory.hpp"
#include "pool.hpp"

namespace {

#include "unmix.cu"
#include "unmix_passes.hpp"

constexpr int TILE = 256, TILE_ROWS = 16;   // pixels of the full picture

// All candidates' planes along one reduced row, as wide as a tile of the full picture.
struct Stretched {
    int row = -1;
    float* lines = nullptr;   // 4 count lines of `pitch` values

    void fill(const MixtureArgs& a, int wanted, int first, int count, int pitch, float* in) {
        if (row == wanted) return;
        row = wanted;
        for (int n = 0; n < 4 * a.count; ++n) {
            const float* from = plane_at(a.candidates, n * a.small_stride)
                                + (long long)row * a.small_pitch;
            const int whole = min(count, a.small_width - first);
            __builtin_memcpy(in + 1, from + first, whole * sizeof(float));
            in[0] = from[max(first - 1, 0)];
            for (int i = whole; i <= count; ++i) in[i + 1] = from[min(first + i, a.small_width - 1)];
            stretch_any(a.factor, in, count, lines + (long long)n * pitch);
        }
    }
};

// Values that the lines of a tile take, whatever its width, and those of one reduced row behind them.
long long tile_values(const MixtureArgs& a) {
    const int count = (TILE + PX) / a.factor + 2;
    return 8LL * a.count * ((count + 1) * a.factor + PX) + count + 2;
}

void mixture_tile(const MixtureArgs& a, int x0, int x1, int y0, int y1, float* memory) {
    const int factor = a.factor, first = (a.left + x0) / factor;
    const int count = (a.left + x1 - 1) / factor - first + 1, pitch = (count + 1) * factor + PX;
    float* in = memory + 8LL * a.count * pitch;
    Stretched low, high;
    low.lines = memory, high.lines = memory + 4LL * a.count * pitch;
    // Where the lines start, in pixels of the part.
    const int start = stretched_from(first, factor) - a.left;
    for (int y = y0; y < y1; ++y) {
        const Between row = between(a.top + y, factor, a.small_height);
        if (high.row == row.low) {
            const Stretched other = low;
            low = high, high = other;
        }
        low.fill(a, row.low, first, count, pitch, in);
        high.fill(a, row.high, first, count, pitch, in);
        for (int at = x0; at < x1; at += PX) {
            // The last group ends with the tile: some pixels are made twice, alike.
            const int x = at + PX <= x1 ? at : x1 - PX;
            mixture_group(a, (long long)y * a.pitch + x, [&](int n, float (&f)[4][PX]) {
                for (int c = 0; c < 4; ++c) {
                    const float* l = low.lines + (4LL * n + c) * pitch + (x - start);
                    const float* h = high.lines + (4LL * n + c) * pitch + (x - start);
                    EACH_PIXEL f[c][p] = mix(l[p], h[p], row.share);
                }
            });
        }
    }
}

bool mixture_rows(const MixtureArgs& a, int y0, int y1) {
    Scratch<float> memory(tile_values(a));
    if (!memory.at) return false;
    for (int x0 = 0; x0 < a.width;) {
        // No tile is narrower than a group.
        const int x1 = a.width - x0 < TILE + PX ? a.width : x0 + TILE;
        mixture_tile(a, x0, x1, y0, y1, memory.at);
        x0 = x1;
    }
    return true;
}

}  // namespace

// Rows of at least PX pixels.
EXPORTED unsigned verdigris_size_unmix_mixture() { return sizeof(MixtureArgs); }
EXPORTED int verdigris_unmix_mixture(Pool* pool, const void* given, unsigned) {
    const MixtureArgs& a = *static_cast<const MixtureArgs*>(given);
    Failure failure;
    each_strip(pool, 0, a.height, TILE_ROWS, [&](int y0, int y1) {
        if (!mixture_rows(a, y0, y1)) failure.note();
    });
    return failure.seen;
}

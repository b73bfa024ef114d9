// Planes on their way to a file: clamped to what a half holds, as half floats, channel by channel.
#define VERDIGRIS_WIDE "wide.hpp"

#include "memory.hpp"
#include "pool.hpp"

namespace {

#include "compat.cuh"

// A row as half floats; returns how many finite values were beyond the largest half.
int halved_row(const float* from, u16* to, int count) {
    int over = 0;
    VECTORISED for (int x = 0; x < count; ++x) {
        const float v = from[x], size = fabsf(v);
        const bool beyond = size > HALF_MAX && size < INFINITY;
        over += beyond ? 1 : 0;
        to[x] = half_from_float(beyond ? with_sign(HALF_MAX, v) : v);
    }
    return over;
}

}  // namespace

// out[y][x][c] = planes[c][y][x] as half floats. Returns how many finite values were clamped, or -1
// where there was no memory.
EXPORTED long long verdigris_pack_half(const float* const* planes, int channels, int height, int width,
                                       u16* out) {
    Scratch<u16> rows((long long)channels * width);
    if (!rows.at) return -1;
    long long over = 0;
    for (int y = 0; y < height; ++y) {
        for (int c = 0; c < channels; ++c)
            over += halved_row(planes[c] + (long long)y * width, rows.at + (long long)c * width, width);
        u16* to = out + (long long)y * width * channels;
        if (channels == 4) {
            const u16 *r = rows.at, *g = r + width, *b = g + width, *a = b + width;
            VECTORISED for (int x = 0; x < width; ++x) {
                to[4 * x] = r[x];
                to[4 * x + 1] = g[x];
                to[4 * x + 2] = b[x];
                to[4 * x + 3] = a[x];
            }
            continue;
        }
        for (int c = 0; c < channels; ++c) {
            const u16* from = rows.at + (long long)c * width;
            for (int x = 0; x < width; ++x) to[(long long)x * channels + c] = from[x];
        }
    }
    return over;
}

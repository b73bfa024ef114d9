// Unmixing on a card: see unmix.cuh. Blocks of 32 x 8 threads; each makes PX pixels of a row.
#include "unmix.cuh"

extern "C" __global__ void __launch_bounds__(256) unmix_mixture(const MixtureArgs a) {
    const int x = (blockIdx.x * 32 + threadIdx.x) * PX, y = blockIdx.y * 8 + threadIdx.y;
    if (x >= a.width || y >= a.height) return;
    const Between row = between(a.top + y, a.factor, a.small_height);
    Between column[PX];
    EACH_PIXEL column[p] = between(a.left + x + p, a.factor, a.small_width);
    mixture_group(a, (long long)y * a.pitch + x, [&](int n, float (&f)[4][PX]) {
#pragma unroll
        for (int c = 0; c < 4; ++c) {
            const float* low = plane_at(a.candidates, (4 * n + c) * a.small_stride)
                               + (long long)row.low * a.small_pitch;
            const float* high = low + (long long)(row.high - row.low) * a.small_pitch;
            EACH_PIXEL {
                const Between b = column[p];
                f[c][p] = mix(mix(low[b.low], low[b.high], b.share),
                              mix(high[b.low], high[b.high], b.share), row.share);
            }
        }
    });
}

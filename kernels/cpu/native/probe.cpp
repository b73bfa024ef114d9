// The vector mathematics by itself, for the tests that state its errors.
#define VERDIGRIS_WIDE "wide.hpp"

#include "pool.hpp"

namespace {

#include "compat.cuh"

template <class Function>
void mapped(const float* x, float* out, int count, const Function& function) {
    VECTORISED for (int n = 0; n < count; ++n) out[n] = function(x[n]);
}

}  // namespace

// out[n] = f(x[n], y[n]); returns 1 for a function that is not there.
EXPORTED int verdigris_map(int function, const float* x, const float* y, float* out, int count) {
    switch (function) {
        case 0: mapped(x, out, count, [](float v) { return vector_log2(v); }); break;
        case 1: mapped(x, out, count, [](float v) { return vector_exp2(v); }); break;
        case 2: mapped(x, out, count, [](float v) { return vector_exp(v); }); break;
        case 3: mapped(x, out, count, [](float v) { return vector_cbrt(v); }); break;
        case 4: mapped(x, out, count, [](float v) { return vector_sinpi(v); }); break;
        case 5: mapped(x, out, count, [](float v) { return vector_cospi(v); }); break;
        case 6: VECTORISED for (int n = 0; n < count; ++n) out[n] = vector_pow(x[n], y[n]); break;
        case 7: VECTORISED for (int n = 0; n < count; ++n) out[n] = vector_atan2(x[n], y[n]); break;
        case 8: mapped(x, out, count, [](float v) { return fast_log2(v); }); break;
        case 9: mapped(x, out, count, [](float v) { return float_from_half(half_from_float(v)); }); break;
        case 10: mapped(x, out, count, [](float v) { return root(v); }); break;
        case 11: mapped(x, out, count, [](float v) { return clamp01(v); }); break;
        default: return 1;
    }
    return 0;
}

// What kernels/cuda/compat.cuh is on a card: groups of PX neighbouring pixels that the compiler turns
// into vectors, mathematics without branches or calls, and the words of CUDA that the kernels use.
// Included through compat.cuh, inside a namespace without a name, so nothing here has linkage.
//
// Infinities and not-a-number mean what IEEE 754 says; only fmaxf and fminf are asymmetric: where the
// first argument is not a number they give the second, as the processor's own instructions do.
#pragma once

#define DEVICE inline __attribute__((always_inline))
#define APART DEVICE
#define __forceinline__
#define __global__ inline
#define __device__
#define __shared__ static
#define __launch_bounds__(...)
#define __grid_constant__
#define DYNAMIC_SHARED(type, name) type* name = nullptr

#if defined(__clang__)
#define VECTORISED _Pragma("clang loop vectorize(assume_safety) unroll(disable)")
#else
#define VECTORISED _Pragma("GCC ivdep")
#endif
#define EACH_PIXEL VECTORISED for (int p = 0; p < PX; ++p)
#ifndef INFINITY
#define INFINITY __builtin_inff()
#endif

struct uint2 { unsigned x, y; };
struct float2 { float x, y; };
struct float4 { float x, y, z, w; };

// Named by the cards' kernels, which are not compiled here.
struct Place { unsigned x, y, z; };
static const Place threadIdx = {0, 0, 0}, blockIdx = {0, 0, 0};
DEVICE void __syncthreads() {}
DEVICE void __syncwarp() {}
DEVICE float __shfl_xor_sync(unsigned, float value, int) { return value; }

DEVICE void read_again() {}
DEVICE void prefetch(const void*, bool, long long) {}

DEVICE int min(int a, int b) { return a < b ? a : b; }
DEVICE int max(int a, int b) { return a > b ? a : b; }

DEVICE int bits_of(float x) {
    int bits;
    __builtin_memcpy(&bits, &x, 4);
    return bits;
}
DEVICE float of_bits(int bits) {
    float x;
    __builtin_memcpy(&x, &bits, 4);
    return x;
}

DEVICE float larger_of(float a, float b) { return a > b ? a : b; }
DEVICE float smaller_of(float a, float b) { return a < b ? a : b; }
#define fmaxf larger_of
#define fminf smaller_of
#define fabsf __builtin_fabsf
#define sqrtf __builtin_sqrtf
#define floorf __builtin_floorf
#define floor __builtin_floor
#define fabs __builtin_fabs
DEVICE double fmax(double a, double b) { return a > b ? a : b; }
DEVICE double fmin(double a, double b) { return a < b ? a : b; }

DEVICE float clamp01(float x) { return x > 0.0f ? (x < 1.0f ? x : 1.0f) : 0.0f; }
DEVICE float divided(float a, float b) { return a / b; }
DEVICE float root(float x) { return sqrtf(x); }
DEVICE int whole_degrees(float turn) { return (int)(360.0f * turn); }
DEVICE float with_sign(float x, float sign) { return __builtin_copysignf(x, sign); }

#include "vector_math.hpp"

DEVICE float float_from_half(u16 bits) {
#if defined(__F16C__) || defined(__aarch64__)
    _Float16 h;
    __builtin_memcpy(&h, &bits, 2);
    return (float)h;
#else
    // Shifted into place the exponent is 112 too small, which a multiplication mends, also for
    // numbers below the smallest normal one. Infinities and not-a-number have the largest exponent.
    const int shifted = (int)(bits & 0x7fffu) << 13;
    const float finite = of_bits(shifted) * 5.192296858534828e33f;
    const float whole = shifted < 0x0f800000 ? finite : of_bits(shifted | 0x7f800000);
    return of_bits(bits_of(whole) | (int)((u32)(bits & 0x8000u) << 16));
#endif
}

DEVICE u16 half_from_float(float x) {
#if defined(__F16C__) || defined(__aarch64__)
    const _Float16 h = (_Float16)x;
    u16 bits;
    __builtin_memcpy(&bits, &h, 2);
    return bits;
#else
    const int given = bits_of(x), plain = given & 0x7fffffff;
    // Small: adding 0.5 leaves the rounded mantissa in the last bits. Others: rounded to even.
    const int small = bits_of(of_bits(plain) + 0.5f) - 0x3f000000;
    const int normal = (plain + 0xfff + ((plain >> 13) & 1) - (112 << 23)) >> 13;
    int h = plain < (113 << 23) ? small : normal;
    h = plain >= 0x477ff000 ? 0x7c00 : h;
    h = plain > 0x7f800000 ? 0x7e00 : h;
    return (u16)(h | (int)((u32)given >> 16 & 0x8000u));
#endif
}

DEVICE u32 half_pair(float low, float high) {
    low = fminf(fmaxf(low, -HALF_MAX), HALF_MAX);
    high = fminf(fmaxf(high, -HALF_MAX), HALF_MAX);
    return half_from_float(low) | ((u32)half_from_float(high) << 16);
}

// PX neighbouring values of one row.
DEVICE void load_px(const void* plane, bool half, long long index, float* out) {
    if (half) {
        const u16* at = static_cast<const u16*>(plane) + index;
        EACH_PIXEL out[p] = float_from_half(at[p]);
    } else {
        const float* at = static_cast<const float*>(plane) + index;
        EACH_PIXEL out[p] = at[p];
    }
}

DEVICE void store_px(void* plane, bool half, long long index, const float* v) {
    if (half) {
        u16* at = static_cast<u16*>(plane) + index;
        EACH_PIXEL at[p] = half_from_float(fminf(fmaxf(v[p], -HALF_MAX), HALF_MAX));
    } else {
        float* at = static_cast<float*>(plane) + index;
        EACH_PIXEL at[p] = v[p];
    }
}

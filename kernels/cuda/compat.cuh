// What the kernels need from the compiler, so that the same source also compiles as plain C++.
//
// VERDIGRIS_HOST is set by the tests' emulator (tests/kernels/cuda/emulate.hpp), which runs whole kernels
// on a CPU: there, half conversion and the logarithm come from the C++ library. VERDIGRIS_WIDE is set
// where the processor's own form is compiled (kernels/cpu/native): it names the header with wide groups
// of pixels, vector mathematics, loads and stores, which stands in for most of this one.
#pragma once

// Neighbouring pixels in a row that one thread works on at a time. The general form of the fused
// kernels takes two, because it needs many registers for each.
#ifndef PX
#define PX 4
#endif
#ifndef VERDIGRIS_WIDE
#define DEVICE __device__ __forceinline__
#define APART static __device__ __noinline__   // costly and rare: one copy for all places
#define EACH_PIXEL _Pragma("unroll") for (int p = 0; p < PX; ++p)
#endif
#define EACH_CHANNEL _Pragma("unroll") for (int c = 0; c < 3; ++c)

typedef unsigned long long u64;
typedef unsigned short u16;
typedef unsigned int u32;

// Largest finite half; storing clamps to it, so that over-range light never becomes infinite.
#define HALF_MAX 65504.0f

#ifdef VERDIGRIS_WIDE
#include VERDIGRIS_WIDE
#elif defined(VERDIGRIS_HOST)

DEVICE float float_from_half(u16 bits) {
    _Float16 h;
    __builtin_memcpy(&h, &bits, 2);
    return (float)h;
}

DEVICE u16 half_from_float(float x) {
    _Float16 h = (_Float16)x;
    u16 bits;
    __builtin_memcpy(&bits, &h, 2);
    return bits;
}

DEVICE void read_again() {}
DEVICE void prefetch(const void*, bool, long long) {}
DEVICE float fast_log2(float x) { return log2f(x); }
DEVICE float sinpif(float x) { return (float)sin(3.14159265358979323846 * x); }
DEVICE float cospif(float x) { return (float)cos(3.14159265358979323846 * x); }

DEVICE int bits_of(float x) {
    int bits;
    __builtin_memcpy(&bits, &x, 4);
    return bits;
}
DEVICE float divided(float a, float b) { return a / b; }
DEVICE float root(float x) { return sqrtf(x); }
DEVICE float clamp01(float x) { return x > 0.0f ? (x < 1.0f ? x : 1.0f) : 0.0f; }
DEVICE int whole_degrees(float turn) { return (int)floor(360.0 * turn); }
DEVICE float with_sign(float x, float sign) { return copysignf(x, sign); }
DEVICE u32 half_pair(float low, float high) {
    low = fminf(fmaxf(low, -HALF_MAX), HALF_MAX);
    high = fminf(fmaxf(high, -HALF_MAX), HALF_MAX);
    return half_from_float(low) | ((u32)half_from_float(high) << 16);
}

#define DYNAMIC_SHARED(type, name) type* name = reinterpret_cast<type*>(emulated_shared)

#else

#ifndef INFINITY
#define INFINITY __int_as_float(0x7f800000)
#endif
#define DYNAMIC_SHARED(type, name)                     \
    extern __shared__ __align__(16) char name##_raw[]; \
    type* name = reinterpret_cast<type*>(name##_raw)

DEVICE float float_from_half(u16 bits) {
    float x;
    asm("cvt.f32.f16 %0, %1;" : "=f"(x) : "h"(bits));
    return x;
}

DEVICE u16 half_from_float(float x) {
    u16 bits;
    asm("cvt.rn.f16.f32 %0, %1;" : "=h"(bits) : "f"(x));
    return bits;
}

DEVICE u32 half_pair(float low, float high) {
#if __CUDA_ARCH__ >= 800
    u32 bits;
    asm("cvt.rn.satfinite.f16x2.f32 %0, %1, %2;" : "=r"(bits) : "f"(high), "f"(low));
    return bits;
#else
    low = fminf(fmaxf(low, -HALF_MAX), HALF_MAX);
    high = fminf(fmaxf(high, -HALF_MAX), HALF_MAX);
    return half_from_float(low) | ((u32)half_from_float(high) << 16);
#endif
}

// What is read from memory below is not read, nor worked with, above.
DEVICE void read_again() { asm volatile("" ::: "memory"); }

// Asks the second-level cache for a value that will be read soon.
DEVICE void prefetch(const void* plane, bool half, long long index) {
    const char* at = static_cast<const char*>(plane) + index * (half ? 2 : 4);
    asm volatile("prefetch.global.L2 [%0];" : : "l"(at));
}

// Two units in the last place instead of a half, two instructions instead of a dozen. Divisors lie
// between 1e-30 and 1e30.
DEVICE float divided(float a, float b) {
    float inverse;
    asm("rcp.approx.ftz.f32 %0, %1;" : "=f"(inverse) : "f"(b));
    return a * inverse;
}

DEVICE float root(float x) {
    float y;
    asm("sqrt.approx.ftz.f32 %0, %1;" : "=f"(y) : "f"(x));
    return y;
}

DEVICE float clamp01(float x) { return __saturatef(x); }
DEVICE int bits_of(float x) { return __float_as_int(x); }

// The whole part of 360 x for 0 <= x <= 1: adding 2^23, rounded down, leaves it in the last bits.
DEVICE int whole_degrees(float turn) {
    return __float_as_int(__fmaf_rd(turn, 360.0f, 8388608.0f)) - 0x4b000000;
}

// `x` with the sign of another number, in one instruction.
DEVICE float with_sign(float x, float sign) {
    return __int_as_float((__float_as_int(x) & 0x7fffffff) | (__float_as_int(sign) & 0x80000000));
}

// Absolute error under 2^-22, which ACEScct divides by 17.52. For 0.0078125 and above.
DEVICE float fast_log2(float x) {
    float y;
    asm("lg2.approx.ftz.f32 %0, %1;" : "=f"(y) : "f"(x));
    return y;
}

#endif

DEVICE float mix(float a, float b, float t) { return a + (b - a) * t; }
// (1 - t) a + t b: exactly a at 0 and b at 1.
DEVICE float blend(float a, float b, float t) { return (1.0f - t) * a + t * b; }
DEVICE float max3(float a, float b, float c) { return fmaxf(a, fmaxf(b, c)); }
DEVICE float min3(float a, float b, float c) { return fminf(a, fminf(b, c)); }

#ifndef VERDIGRIS_WIDE
// PX neighbouring values of one row; `index` is a multiple of PX in every caller's padded row.
DEVICE void load_px(const void* plane, bool half, long long index, float* out) {
    if (half) {
        const u16* at = static_cast<const u16*>(plane) + index;
#if PX == 4
        const uint2 raw = *reinterpret_cast<const uint2*>(at);
        const u32 words[2] = {raw.x, raw.y};
#else
        const u32 words[1] = {*reinterpret_cast<const u32*>(at)};
#endif
#pragma unroll
        for (int w = 0; w < PX / 2; ++w) {
            out[2 * w] = float_from_half((u16)(words[w] & 0xffffu));
            out[2 * w + 1] = float_from_half((u16)(words[w] >> 16));
        }
    } else {
        const float* at = static_cast<const float*>(plane) + index;
#if PX == 4
        const float4 raw = *reinterpret_cast<const float4*>(at);
        out[0] = raw.x, out[1] = raw.y, out[2] = raw.z, out[3] = raw.w;
#else
        const float2 raw = *reinterpret_cast<const float2*>(at);
        out[0] = raw.x, out[1] = raw.y;
#endif
    }
}

DEVICE void store_px(void* plane, bool half, long long index, const float* v) {
    if (half) {
        u16* at = static_cast<u16*>(plane) + index;
        u32 words[PX / 2];
#pragma unroll
        for (int w = 0; w < PX / 2; ++w) words[w] = half_pair(v[2 * w], v[2 * w + 1]);
#if PX == 4
        uint2 raw;
        raw.x = words[0], raw.y = words[1];
        *reinterpret_cast<uint2*>(at) = raw;
#else
        *reinterpret_cast<u32*>(at) = words[0];
#endif
    } else {
        float* at = static_cast<float*>(plane) + index;
#if PX == 4
        float4 raw;
        raw.x = v[0], raw.y = v[1], raw.z = v[2], raw.w = v[3];
        *reinterpret_cast<float4*>(at) = raw;
#else
        float2 raw;
        raw.x = v[0], raw.y = v[1];
        *reinterpret_cast<float2*>(at) = raw;
#endif
    }
}

#endif

DEVICE float load1(const void* plane, bool half, long long index) {
    return half ? float_from_half(static_cast<const u16*>(plane)[index])
                : static_cast<const float*>(plane)[index];
}

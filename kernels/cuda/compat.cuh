// What the kernels need from the compiler, so that the same source also compiles as plain C++.
//
// VERDIGRIS_HOST is set by the tests' emulator (tests/cuda/emulate.hpp), which runs whole kernels
// on a CPU: there, half conversion and the logarithm come from the C++ library.
#pragma once

#define PX 4            // neighbouring pixels in a row that one thread works on
#define DEVICE __device__ __forceinline__
#define APART static __device__ __noinline__   // costly and rare: one copy for all places

typedef unsigned long long u64;
typedef unsigned short u16;
typedef unsigned int u32;

#ifdef VERDIGRIS_HOST

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

DEVICE float fast_log2(float x) { return log2f(x); }
DEVICE float sinpif(float x) { return (float)sin(3.14159265358979323846 * x); }
DEVICE float cospif(float x) { return (float)cos(3.14159265358979323846 * x); }

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

// lg2.approx: absolute error under 2^-22, which ACEScct divides by 17.52.
DEVICE float fast_log2(float x) { return __log2f(x); }

#endif

DEVICE float clamp01(float x) { return fminf(fmaxf(x, 0.0f), 1.0f); }
DEVICE float mix(float a, float b, float t) { return a + (b - a) * t; }
DEVICE float max3(float a, float b, float c) { return fmaxf(a, fmaxf(b, c)); }
DEVICE float min3(float a, float b, float c) { return fminf(a, fminf(b, c)); }

// Largest finite half; storing clamps to it, so that over-range light never becomes infinite.
#define HALF_MAX 65504.0f

// Four neighbouring values of one row; `index` is a multiple of PX in every caller's padded row.
DEVICE void load4(const void* plane, bool half, long long index, float* out) {
    if (half) {
        const uint2 raw = *reinterpret_cast<const uint2*>(static_cast<const u16*>(plane) + index);
        out[0] = float_from_half((u16)(raw.x & 0xffffu));
        out[1] = float_from_half((u16)(raw.x >> 16));
        out[2] = float_from_half((u16)(raw.y & 0xffffu));
        out[3] = float_from_half((u16)(raw.y >> 16));
    } else {
        const float4 raw = *reinterpret_cast<const float4*>(static_cast<const float*>(plane) + index);
        out[0] = raw.x;
        out[1] = raw.y;
        out[2] = raw.z;
        out[3] = raw.w;
    }
}

DEVICE void store4(void* plane, bool half, long long index, const float* v) {
    if (half) {
        uint2 raw;
        u32 h[4];
        for (int p = 0; p < 4; ++p)
            h[p] = half_from_float(fminf(fmaxf(v[p], -HALF_MAX), HALF_MAX));
        raw.x = h[0] | (h[1] << 16);
        raw.y = h[2] | (h[3] << 16);
        *reinterpret_cast<uint2*>(static_cast<u16*>(plane) + index) = raw;
    } else {
        float4 raw;
        raw.x = v[0];
        raw.y = v[1];
        raw.z = v[2];
        raw.w = v[3];
        *reinterpret_cast<float4*>(static_cast<float*>(plane) + index) = raw;
    }
}

DEVICE float load1(const void* plane, bool half, long long index) {
    return half ? float_from_half(static_cast<const u16*>(plane)[index])
                : static_cast<const float*>(plane)[index];
}

// Mathematics as straight lines of code, so that loops around them become vectors. Errors beside each
// are the largest seen against float64 over the range stated (tests/kernels/cpu/test_vector_math.py).
// Polynomials are our own least-maximum fits.
#pragma once

// The nearest whole number, halves to even, for |x| < 2^22.
DEVICE float nearest(float x) {
    const float shift = 12582912.0f;
    return (x + shift) - shift;
}

// 2^n for -126 <= n <= 127.
DEVICE float power_of_two(int n) { return of_bits((n + 127) << 23); }

// log2 of a normal, positive, finite number; absolute error under 1.5e-7 + half a last place.
DEVICE float fast_log2(float x) {
    const int bits = bits_of(x), exponent = (bits - 0x3f3504f3) >> 23;
    const float f = of_bits(bits - (exponent << 23)) - 1.0f;
    float y = 0.129262637f;
    y = y * f - 0.208933058f;
    y = y * f + 0.215212517f;
    y = y * f - 0.238675804f;
    y = y * f + 0.287939081f;
    y = y * f - 0.360716258f;
    y = y * f + 0.48091028f;
    y = y * f - 0.721347199f;
    y = y * f + 1.442695f;
    return y * f + (float)exponent;
}

// log2 of any number: -infinity for 0, not-a-number below it, infinity for infinity.
DEVICE float vector_log2(float x) {
    const bool tiny = x < 1.17549435e-38f;
    float y = fast_log2(tiny ? x * 8388608.0f : x) - (tiny ? 23.0f : 0.0f);
    y = x > 3.4028234e38f ? x : y;
    y = x == 0.0f ? -INFINITY : y;
    return x < 0.0f || x != x ? __builtin_nanf("") : y;
}

// r times 2^n, for r about 1 and any n that whole numbers hold: two steps, so that results below the
// smallest normal number are right.
DEVICE float scaled(float r, int n) {
    const int first = n >> 1;
    return r * power_of_two(first) * power_of_two(n - first);
}

// 2^x; relative error under 2e-7. 0 below -150, infinity from 128.
DEVICE float vector_exp2(float x) {
    float held = x < -151.0f ? -151.0f : x;
    held = held > 128.0f ? 128.0f : held;
    const float n = nearest(held), f = held - n;
    float y = 0.000154780177f;
    y = y * f + 0.00134004317f;
    y = y * f + 0.00961799453f;
    y = y * f + 0.0555032722f;
    y = y * f + 0.240226515f;
    y = y * f + 0.693147207f;
    y = y * f + 1.0f;
    const float power = scaled(y, (int)n);
    return x != x ? x : power;
}

// e^x; relative error under 2e-7 from -87 to 88. 0 below -104, infinity above 88.8.
DEVICE float vector_exp(float x) {
    float held = x < -104.5f ? -104.5f : x;
    held = held > 89.0f ? 89.0f : held;
    const float n = nearest(held * 1.44269504f);
    const float f = (held - n * 0.693359375f) + n * 2.12194440e-4f;
    float y = 0.00139411175f;
    y = y * f + 0.00836317981f;
    y = y * f + 0.0416663752f;
    y = y * f + 0.16666577f;
    y = y * f + 0.5f;
    const float power = scaled(1.0f + (f + y * f * f), (int)n);
    return x != x ? x : power;
}

// x^y for x >= 0; relative error under 1.5e-7 times (1 + |y log2 x|). 0^y is 0 for y > 0.
DEVICE float vector_pow(float x, float y) { return vector_exp2(y * vector_log2(x)); }

// The cube root of a positive number; relative error under 2e-7.
DEVICE float vector_cbrt(float x) {
    const float y = vector_exp2(vector_log2(x) * (1.0f / 3.0f));
    const float better = y - (y - x / (y * y)) * (1.0f / 3.0f);
    return x > 0.0f && x < 3.4028234e38f ? better : x;
}

// The angle of (x, y); absolute error under 3e-7. 0 where both are 0.
DEVICE float vector_atan2(float y, float x) {
    const float across = fabsf(x), up = fabsf(y);
    const float low = fminf(across, up), high = fmaxf(across, up);
    const float t = high > 0.0f ? low / high : 0.0f, u = t * t;
    float a = 0.00405991602f;
    a = a * u - 0.0207066477f;
    a = a * u + 0.0498554749f;
    a = a * u - 0.0807438133f;
    a = a * u + 0.108886393f;
    a = a * u - 0.142609098f;
    a = a * u + 0.199989271f;
    a = a * u - 0.333333257f;
    a = t + t * (u * a);
    a = up > across ? 1.57079632679f - a : a;
    a = x < 0.0f ? 3.14159265359f - a : a;
    return with_sign(a, y);
}

// sin(pi x), |x| < 2^20; absolute error under 3e-7.
DEVICE float vector_sinpi(float x) {
    float r = x - 2.0f * nearest(0.5f * x);   // -1..1
    r = r > 0.5f ? 1.0f - r : r;
    r = r < -0.5f ? -1.0f - r : r;
    const float u = r * r;
    float y = -0.00702846889f;
    y = y * u + 0.0820504533f;
    y = y * u - 0.599252209f;
    y = y * u + 2.55016332f;
    y = y * u - 5.16771276f;
    y = y * u + 3.14159265f;
    return y * r;
}
DEVICE float vector_cospi(float x) {
    const float r = fabsf(x - 2.0f * nearest(0.5f * x));
    return vector_sinpi(0.5f - r);
}

#define log2f vector_log2
#define exp2f vector_exp2
#define expf vector_exp
#define powf vector_pow
#define cbrtf vector_cbrt
#define atan2f vector_atan2
#define sinpif vector_sinpi
#define cospif vector_cospi

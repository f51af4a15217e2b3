/* What translated code takes for granted: freestanding C99, round to nearest, no contraction. */
#include <stdint.h>

_Static_assert(sizeof(float) == 4, "single precision of 32 bits");

static inline int32_t floor_divided(int32_t a, int32_t b) {
    int32_t q = a / b;
    return (a % b != 0 && ((a < 0) != (b < 0))) ? q - 1 : q;
}

static inline int32_t floor_rest(int32_t a, int32_t b) {
    int32_t r = a % b;
    return (r != 0 && ((r < 0) != (b < 0))) ? r + b : r;
}

#ifdef SOFT_FLOAT
/* Digit by digit, exactly rounded (IEEE 754-2008, 5.4.1): a compiler's own may flush denormal results to zero. */
static inline float divided(float a, float b) {
    union { float f; uint32_t u; } x = {a}, y = {b}, out;
    uint32_t sign = (x.u ^ y.u) & 0x80000000u, m = x.u & 0x7fffffu, n = y.u & 0x7fffffu, q = 0, rest, k;
    int32_t e = (int32_t)(x.u >> 23 & 0xffu), f = (int32_t)(y.u >> 23 & 0xffu);
    int a_zero = e == 0 && m == 0, b_zero = f == 0 && n == 0;
    if ((e == 255 && (m != 0 || f == 255)) || (f == 255 && n != 0) || (a_zero && b_zero)) {
        out.u = 0x7fc00000u;
        return out.f;
    }
    if (e == 255 || b_zero) {
        out.u = sign | 0x7f800000u;
        return out.f;
    }
    if (f == 255 || a_zero) {
        out.u = sign;
        return out.f;
    }
    if (e == 0) {
        for (e = 1; !(m & 0x800000u); e--) m <<= 1;
    }
    if (f == 0) {
        for (f = 1; !(n & 0x800000u); f--) n <<= 1;
    }
    m |= 0x800000u;
    n |= 0x800000u;
    e += 127 - f;
    if (m < n) {
        m <<= 1;
        e--;
    }
    for (k = 0; k < 26; k++) {
        q <<= 1;
        if (m >= n) {
            m -= n;
            q |= 1u;
        }
        m <<= 1;
    }
    rest = m != 0;
    if (e >= 255) {
        out.u = sign | 0x7f800000u;
        return out.f;
    }
    if (e <= 0) {
        k = e < -26 ? 27u : (uint32_t)(1 - e);
        rest |= (q & ((1u << k) - 1u)) != 0;
        q >>= k;
        e = 1;
    }
    rest |= (q & 3u) << 1;
    q = (q >> 2) + ((uint32_t)(e - 1) << 23); /* a leading one counts as one exponent more */
    if (rest > 4u || (rest == 4u && (q & 1u))) q++;
    out.u = sign | q;
    return out.f;
}

/* Digit by digit, exactly rounded (IEEE 754-2008, 5.4.1), denormal numbers included. */
static inline float root(float x) {
    union { float f; uint32_t u; } in = {x}, out;
    uint32_t u = in.u, mantissa, square = 0, found = 0;
    int32_t exponent, k;
    if ((u & 0x7fffffffu) == 0) return x;
    if (u >= 0x7f800000u) {
        if (u == 0x7f800000u) return x;
        out.u = 0x7fc00000u;
        return out.f;
    }
    exponent = (int32_t)(u >> 23) - 127;
    mantissa = u & 0x7fffffu;
    if (exponent == -127) {
        exponent = -126;
        while (!(mantissa & 0x800000u)) {
            mantissa <<= 1;
            exponent--;
        }
    } else {
        mantissa |= 0x800000u;
    }
    if (exponent & 1) {
        mantissa <<= 1;
        exponent--;
    }
    mantissa <<= 1;
    for (k = 0; k < 25; k++) {
        uint32_t bit = 0x1000000u >> k, next = square + bit;
        if (next <= mantissa) {
            square = next + bit;
            mantissa -= next;
            found += bit;
        }
        mantissa <<= 1;
    }
    if (mantissa != 0) found += found & 1u;
    out.u = ((found >> 1) + ((uint32_t)(exponent / 2 + 126) << 23));
    return out.f;
}
#else
#define root __builtin_sqrtf
#define divided(a, b) ((a) / (b))
#endif

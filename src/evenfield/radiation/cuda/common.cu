// What the kernels share. They are the arithmetic of far_assembly.py, near_integrals.py, sources.py, surface_field.py and the
// adjoint's files with other loops; formulas and sources stand there. Every sum has a fixed order: no atomics, so that the same
// card gives the same bits again.
//
// Compiled at run time (NVRTC) with REAL = float or double, DOUBLE = 0 or 1, and by the tests as plain C++.
// Array sizes: P points (edge midpoints), V vertices, T triangles, K sides (parts), G images.

#ifndef KERNEL
#define KERNEL extern "C" __global__
// registers few enough for so many blocks at once
#define KERNEL_OF(threads, blocks) KERNEL __launch_bounds__(threads, blocks)
#define DEVICE __device__ __forceinline__

// sum over a warp's lanes, the same on all of them; every thread of the block calls
template <class T> DEVICE T warp_sum(T value)
{
    for (int half = 16; half > 0; half /= 2) value += __shfl_xor_sync(0xffffffffu, value, half);
    return value;
}
#endif

typedef REAL real;
struct pair2 { real x, y; };      // a complex number
struct wide2 { double x, y; };    // one in double precision

#define LANES 32
#define WARPS 8
#define THREADS (LANES * WARPS)
#define SIDES 4                   // parts handled at once
#define COLUMNS 13                // position, normal, weight, across, along
#if DOUBLE
#define TV 16                     // vertices of a column tile
#define CY 16                     // points of a column chunk
#else
#define TV 32
#define CY 32
#endif
#define TU 64                     // vertices of a row tile
#define CX LANES                  // points of a row chunk
#define PER_V (TV / WARPS)
#define ROWS_AT_ONCE (THREADS / TV)
#define PER_U (TU / ROWS_AT_ONCE)
#define TINY ((real)1e-13)
#define INVERSE_4PI ((real)0.07957747154594767)
#define TWO_PI 6.283185307179586

DEVICE real inverse_root(real x)
{
#if DOUBLE
    return rsqrt(x);
#else
    return rsqrtf(x);
#endif
}

// sine and cosine of 2 pi turns
DEVICE void sine_cosine(real turns, real* s, real* c)
{
#if DOUBLE
    turns -= rint(turns);
    sincos(TWO_PI * turns, s, c);
#else
    turns -= rintf(turns);
    __sincosf((float)TWO_PI * turns, s, c);
#endif
}


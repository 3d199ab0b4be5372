// The field far away.

#define DIRECTIONS 4

// Sum over the points of (jk (u.N) p - q) e^{jk u.y}, planes (K, P, 4): p and strength q, re, im; out (K, D). Four directions a block.
KERNEL void far_field(
    double wavenumber, int count, int sides, int directions, const real* points, const real* planes, const double* direction,
    wide2* out)
{
    __shared__ real part[2 * SIDES][THREADS];
    const real k = (real)wavenumber, turns = (real)(wavenumber / TWO_PI);
    real u[DIRECTIONS][3];
#pragma unroll
    for (int d = 0; d < DIRECTIONS; ++d) {
        const int at = blockIdx.x * DIRECTIONS + d < directions ? blockIdx.x * DIRECTIONS + d : directions - 1;
        for (int c = 0; c < 3; ++c) u[d][c] = (real)direction[3 * at + c];
    }
    for (int from = 0; from < sides; from += SIDES) {
        const int many = sides - from < SIDES ? sides - from : SIDES;
        real sum[DIRECTIONS][SIDES][2];
#pragma unroll
        for (int d = 0; d < DIRECTIONS; ++d)
#pragma unroll
            for (int m = 0; m < SIDES; ++m) sum[d][m][0] = sum[d][m][1] = 0;
        for (int i = threadIdx.x; i < count; i += THREADS) {
            const real* x = points + (long long)i * COLUMNS;
            real s[DIRECTIONS], c[DIRECTIONS], slope[DIRECTIONS];
#pragma unroll
            for (int d = 0; d < DIRECTIONS; ++d) {
                sine_cosine(turns * (u[d][0] * x[0] + u[d][1] * x[1] + u[d][2] * x[2]), &s[d], &c[d]);
                slope[d] = k * (u[d][0] * x[3] + u[d][1] * x[4] + u[d][2] * x[5]);
            }
#pragma unroll
            for (int m = 0; m < SIDES; ++m) {
                if (m >= many) break;
                const real* f = planes + ((long long)(from + m) * count + i) * 4;
                const real pr = f[0], pi = f[1], qr = f[2], qi = f[3];
#pragma unroll
                for (int d = 0; d < DIRECTIONS; ++d) {
                    const real a = -slope[d] * pi - qr, b = slope[d] * pr - qi;
                    sum[d][m][0] += a * c[d] - b * s[d];
                    sum[d][m][1] += a * s[d] + b * c[d];
                }
            }
        }
#pragma unroll
        for (int d = 0; d < DIRECTIONS; ++d) {
            __syncthreads();
#pragma unroll
            for (int m = 0; m < SIDES; ++m) {
                part[2 * m][threadIdx.x] = sum[d][m][0];
                part[2 * m + 1][threadIdx.x] = sum[d][m][1];
            }
            __syncthreads();
            if (threadIdx.x < 2 * many && blockIdx.x * DIRECTIONS + d < directions) {
                double total = 0;
                for (int i = 0; i < THREADS; ++i) total += part[threadIdx.x][i];
                wide2* at = out + ((long long)(from + threadIdx.x / 2) * directions + blockIdx.x * DIRECTIONS + d);
                if (threadIdx.x % 2) at->y = total / (2 * TWO_PI);
                else at->x = total / (2 * TWO_PI);
            }
        }
    }
}

// Products and orthogonalisation for GMRES on several right sides in step.

#define ROWS_PER_WARP 4

// A warp's rows times M vectors: a vector is read once for four rows. M is known to the compiler, so that many loads are in flight.
template <int M> DEVICE void product_rows(int size, const pair2* matrix, const pair2* vectors, pair2* out)
{
    const int lane = threadIdx.x % LANES, warp = threadIdx.x / LANES;
    const int row = (blockIdx.x * (blockDim.x / LANES) + warp) * ROWS_PER_WARP;
    const pair2* rows[ROWS_PER_WARP];
    real sum[ROWS_PER_WARP][M][2];
#pragma unroll
    for (int r = 0; r < ROWS_PER_WARP; ++r) {
        rows[r] = matrix + (long long)(row + r < size ? row + r : size - 1) * size;
#pragma unroll
        for (int m = 0; m < M; ++m) sum[r][m][0] = sum[r][m][1] = 0;
    }
#pragma unroll 4
    for (int j = lane; j < size; j += LANES) {
        pair2 a[ROWS_PER_WARP], b[M];
#pragma unroll
        for (int r = 0; r < ROWS_PER_WARP; ++r) a[r] = rows[r][j];
#pragma unroll
        for (int m = 0; m < M; ++m) b[m] = vectors[(long long)m * size + j];
#pragma unroll
        for (int m = 0; m < M; ++m)
#pragma unroll
            for (int r = 0; r < ROWS_PER_WARP; ++r) {
                sum[r][m][0] += a[r].x * b[m].x - a[r].y * b[m].y;
                sum[r][m][1] += a[r].x * b[m].y + a[r].y * b[m].x;
            }
    }
#pragma unroll
    for (int r = 0; r < ROWS_PER_WARP; ++r)
#pragma unroll
        for (int m = 0; m < M; ++m) {
            pair2 value;
            value.x = warp_sum(sum[r][m][0]);
            value.y = warp_sum(sum[r][m][1]);
            if (lane == 0 && row + r < size) out[(long long)m * size + row + r] = value;
        }
}

// out (K, N) = matrix (N, N) times vectors (K, N)
KERNEL void product(int size, int sides, const pair2* matrix, const pair2* vectors, pair2* out)
{
    for (int from = 0; from < sides; from += SIDES) {
        const pair2* given = vectors + (long long)from * size;
        pair2* to = out + (long long)from * size;
        switch (sides - from) {
        case 1: product_rows<1>(size, matrix, given, to); break;
        case 2: product_rows<2>(size, matrix, given, to); break;
        case 3: product_rows<3>(size, matrix, given, to); break;
        default: product_rows<SIDES>(size, matrix, given, to);
        }
    }
}

template <int M>
DEVICE void transposed_span(int size, int begin, int end, const pair2* matrix, const pair2* vectors, pair2* out)
{
    const int j = blockIdx.x * blockDim.x + threadIdx.x;
    if (j >= size) return;
    real sum[M][2];
#pragma unroll
    for (int m = 0; m < M; ++m) sum[m][0] = sum[m][1] = 0;
#pragma unroll 8
    for (int i = begin; i < end; ++i) {
        const pair2 a = matrix[(long long)i * size + j];
#pragma unroll
        for (int m = 0; m < M; ++m) {
            const pair2 b = vectors[(long long)m * size + i];
            sum[m][0] += a.x * b.x - a.y * b.y;
            sum[m][1] += a.x * b.y + a.y * b.x;
        }
    }
#pragma unroll
    for (int m = 0; m < M; ++m) {
        pair2 value;
        value.x = sum[m][0];
        value.y = sum[m][1];
        out[(long long)m * size + j] = value;
    }
}

// The transposed matrix times vectors, by spans of rows; out (gridDim.y, K, N), to be summed over the spans.
KERNEL void transposed_product(int size, int sides, const pair2* matrix, const pair2* vectors, pair2* out)
{
    const int begin = (int)((long long)size * blockIdx.y / gridDim.y);
    const int end = (int)((long long)size * (blockIdx.y + 1) / gridDim.y);
    for (int from = 0; from < sides; from += SIDES) {
        const pair2* given = vectors + (long long)from * size;
        pair2* to = out + ((long long)blockIdx.y * sides + from) * size;
        switch (sides - from) {
        case 1: transposed_span<1>(size, begin, end, matrix, given, to); break;
        case 2: transposed_span<2>(size, begin, end, matrix, given, to); break;
        case 3: transposed_span<3>(size, begin, end, matrix, given, to); break;
        default: transposed_span<SIDES>(size, begin, end, matrix, given, to);
        }
    }
}

KERNEL void diagonal_inverse(int size, const pair2* matrix, pair2* out)
{
    const int i = blockIdx.x * blockDim.x + threadIdx.x;
    if (i >= size) return;
    const pair2 d = matrix[(long long)i * size + i];
    const double square = (double)d.x * d.x + (double)d.y * d.y;
    out[i].x = (real)(d.x / square);
    out[i].y = (real)(-d.y / square);
}

// vectors (K, N) = the diagonal (N) times basis[side[k], step]; basis (all sides, depth, N)
KERNEL void scaled(int size, int sides, int depth, int step, const int* side, const pair2* diagonal, const pair2* basis, pair2* vectors)
{
    const int i = blockIdx.x * blockDim.x + threadIdx.x, k = blockIdx.y;
    if (i >= size) return;
    const pair2 a = diagonal[i], b = basis[((long long)side[k] * depth + step) * size + i];
    pair2 value;
    value.x = a.x * b.x - a.y * b.y;
    value.y = a.x * b.y + a.y * b.x;
    vectors[(long long)k * size + i] = value;
}

// Sum the spans of transposed_product in their order: vectors (K, N) = sum of parts (spans, K, N)
KERNEL void sum_spans(int count, int spans, const pair2* parts, pair2* out)
{
    const int i = blockIdx.x * blockDim.x + threadIdx.x;
    if (i >= count) return;
    double re = 0, im = 0;
    for (int s = 0; s < spans; ++s) {
        re += parts[(long long)s * count + i].x;
        im += parts[(long long)s * count + i].y;
    }
    out[i].x = (real)re;
    out[i].y = (real)im;
}

// inner (K, depth) = <basis[side[k], m], vectors[k]> for m from `begin`; block (m, k). The vector itself where m = step + 1.
KERNEL void inner_products(
    int size, int depth, int begin, int step, const int* side, const pair2* basis, const pair2* vectors, wide2* inner)
{
    __shared__ double part[2][THREADS];
    const int m = begin + blockIdx.x, k = blockIdx.y;
    const pair2* b = vectors + (long long)k * size;
    const pair2* a = m <= step ? basis + ((long long)side[k] * depth + m) * size : b;
    double re = 0, im = 0;
    for (int i = threadIdx.x; i < size; i += THREADS) {
        re += (double)a[i].x * b[i].x + (double)a[i].y * b[i].y;
        im += (double)a[i].x * b[i].y - (double)a[i].y * b[i].x;
    }
    part[0][threadIdx.x] = re;
    part[1][threadIdx.x] = im;
    for (int half = THREADS / 2; half > 0; half /= 2) {
        __syncthreads();
        if (threadIdx.x < half) {
            part[0][threadIdx.x] += part[0][threadIdx.x + half];
            part[1][threadIdx.x] += part[1][threadIdx.x + half];
        }
    }
    if (threadIdx.x == 0) {
        inner[k * depth + m].x = part[0][0];
        inner[k * depth + m].y = part[1][0];
    }
}

// vectors[k] -= sum over m <= step of inner[k, m] basis[side[k], m]
KERNEL void subtract_parts(
    int size, int depth, int step, const int* side, const pair2* basis, const wide2* inner, pair2* vectors)
{
    const int i = blockIdx.x * blockDim.x + threadIdx.x, k = blockIdx.y;
    if (i >= size) return;
    const pair2* b = basis + (long long)side[k] * depth * size + i;
    pair2* at = vectors + ((long long)k * size + i);
    real re = at->x, im = at->y;
    for (int m = 0; m <= step; ++m) {
        const real hr = (real)inner[k * depth + m].x, hi = (real)inner[k * depth + m].y;
        const pair2 v = b[(long long)m * size];
        re -= hr * v.x - hi * v.y;
        im -= hr * v.y + hi * v.x;
    }
    at->x = re;
    at->y = im;
}

// basis[side[k], step + 1] = vectors[k] over its length, whose square is inner[k, step + 1]
KERNEL void keep_direction(
    int size, int depth, int step, const int* side, const wide2* inner, const pair2* vectors, pair2* basis)
{
    const int i = blockIdx.x * blockDim.x + threadIdx.x, k = blockIdx.y;
    if (i >= size) return;
    const double square = inner[k * depth + step + 1].x;
    const real scale = (real)(square > 0 ? 1.0 / sqrt(square) : 0.0);
    pair2* at = basis + (((long long)side[k] * depth + step + 1) * size + i);
    at->x = scale * vectors[(long long)k * size + i].x;
    at->y = scale * vectors[(long long)k * size + i].y;
}

// basis[k, 0] = right (K, N), double, times scale (K)
KERNEL void first_direction(int size, int depth, const double* scale, const wide2* right, pair2* basis)
{
    const int i = blockIdx.x * blockDim.x + threadIdx.x, k = blockIdx.y;
    if (i >= size) return;
    pair2* at = basis + ((long long)k * depth * size + i);
    at->x = (real)(scale[k] * right[(long long)k * size + i].x);
    at->y = (real)(scale[k] * right[(long long)k * size + i].y);
}

// solution (K, N) = the diagonal times the sum over m < steps[k] of weights (K, depth) and basis
KERNEL void combine(
    int size, int depth, const int* steps, const wide2* weights, const pair2* diagonal, const pair2* basis, wide2* solution)
{
    const int i = blockIdx.x * blockDim.x + threadIdx.x, k = blockIdx.y;
    if (i >= size) return;
    double re = 0, im = 0;
    for (int m = 0; m < steps[k]; ++m) {
        const wide2 w = weights[k * depth + m];
        const pair2 v = basis[((long long)k * depth + m) * size + i];
        re += w.x * v.x - w.y * v.y;
        im += w.x * v.y + w.y * v.x;
    }
    const pair2 d = diagonal[i];
    wide2* at = solution + ((long long)k * size + i);
    at->x = d.x * re - d.y * im;
    at->y = d.x * im + d.y * re;
}

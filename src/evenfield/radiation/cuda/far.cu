// The matrix by the regular rule.
//
// One block: a tile of TU row vertices by one of TV column vertices, each matrix entry written once. Points are taken in chunks.
// Chunk c of a layout is a record of its own, so that loads wait for no other: its points (COLUMNS, size), and for vertex v of
// its tile the entries list[c, first[c, 2 v] ...]: first those where v is an end of the point's edge, then those where it is
// opposite; an entry is the point's place in the chunk, plus 256 where the curl has the minus sign. The next chunk of columns
// is on its way while the present one is worked on.
//
// Kept for each pair of points: the double layer with the even hypersingular part, and -j eta G times the products of
// across and along of the row's point with across and along of the column's.

#define PLANES 10
#define PER_Y (CY / WARPS)

#define COLUMN_VALUES (COLUMNS * CY)
#define COLUMN_CODES (2 * TV + 1 + 4 * CY)

// Kernels of a chunk of rows with one of columns and all its images; a thread has one row and several columns, all at once.
DEVICE void point_kernels(
    real k, real turns, real even, int image_count, const real* images, const real (*xs)[CX], const real (*ys)[CY], real* store)
{
    const int lane = threadIdx.x % LANES, warp = threadIdx.x / LANES;
    const real x0 = xs[0][lane], x1 = xs[1][lane], x2 = xs[2][lane];
    const real n0 = xs[3][lane], n1 = xs[4][lane], n2 = xs[5][lane], w = xs[6][lane] * (real)0.25;
    real f[PER_Y][2], h[PER_Y][6];
#pragma unroll
    for (int i = 0; i < PER_Y; ++i) {
        f[i][0] = f[i][1] = 0;
#pragma unroll
        for (int c = 0; c < 6; ++c) h[i][c] = 0;
    }
    for (int g = 0; g < image_count; ++g) {
        const real g0 = images[3 * g], g1 = images[3 * g + 1], g2 = images[3 * g + 2], handed = g0 * g1 * g2;
        // the surface curl is a pseudovector: its mirror image has the opposite sign
        const real u0 = handed * g0, u1 = handed * g1, u2 = handed * g2;
#pragma unroll
        for (int i = 0; i < PER_Y; ++i) {
            const int y = warp + i * WARPS;
            const real dx = g0 * ys[0][y] - x0, dy = g1 * ys[1][y] - x1, dz = g2 * ys[2][y] - x2;
            const real q0 = g0 * ys[3][y], q1 = g1 * ys[4][y], q2 = g2 * ys[5][y];
            const real square = dx * dx + dy * dy + dz * dz;
            const real inverse = inverse_root(square + TINY), r = square * inverse;
            const real green = square > TINY ? inverse * INVERSE_4PI : (real)0;
            real s, c;
            sine_cosine(turns * r, &s, &c);
            const real gr = c * green, gi = -s * green;
            const real forward = (dx * q0 + dy * q1 + dz * q2) * w * inverse * inverse;
            const real beside = k * r * forward + even * (n0 * q0 + n1 * q1 + n2 * q2);
            f[i][0] += gr * forward - gi * beside;
            f[i][1] += gr * beside + gi * forward;
            h[i][0] += u0 * gr;
            h[i][1] += u0 * gi;
            h[i][2] += u1 * gr;
            h[i][3] += u1 * gi;
            h[i][4] += u2 * gr;
            h[i][5] += u2 * gi;
        }
    }
    const real a0 = xs[7][lane], a1 = xs[8][lane], a2 = xs[9][lane];
    const real b0 = xs[10][lane], b1 = xs[11][lane], b2 = xs[12][lane];
#pragma unroll
    for (int i = 0; i < PER_Y; ++i) {
        const int y = warp + i * WARPS;
        real* at = store + y * CX + lane;
        const real c0 = ys[7][y], c1 = ys[8][y], c2 = ys[9][y], d0 = ys[10][y], d1 = ys[11][y], d2 = ys[12][y];
        at[0] = f[i][0];
        at[CY * CX] = f[i][1];
        at[2 * CY * CX] = a0 * c0 * h[i][1] + a1 * c1 * h[i][3] + a2 * c2 * h[i][5];
        at[3 * CY * CX] = -(a0 * c0 * h[i][0] + a1 * c1 * h[i][2] + a2 * c2 * h[i][4]);
        at[4 * CY * CX] = b0 * c0 * h[i][1] + b1 * c1 * h[i][3] + b2 * c2 * h[i][5];
        at[5 * CY * CX] = -(b0 * c0 * h[i][0] + b1 * c1 * h[i][2] + b2 * c2 * h[i][4]);
        at[6 * CY * CX] = a0 * d0 * h[i][1] + a1 * d1 * h[i][3] + a2 * d2 * h[i][5];
        at[7 * CY * CX] = -(a0 * d0 * h[i][0] + a1 * d1 * h[i][2] + a2 * d2 * h[i][4]);
        at[8 * CY * CX] = b0 * d0 * h[i][1] + b1 * d1 * h[i][3] + b2 * d2 * h[i][5];
        at[9 * CY * CX] = -(b0 * d0 * h[i][0] + b1 * d1 * h[i][2] + b2 * d2 * h[i][4]);
    }
}

KERNEL_OF(THREADS, 2 - DOUBLE) void far_matrix(
    double wavenumber, double coupling, int image_count, const real* images, int vertices, const int* row_chunk_first,
    const real* row_points, const unsigned short* row_lists, const int* column_chunk_first, const real* column_points,
    const unsigned short* column_lists, pair2* matrix)
{
    __shared__ real xs[COLUMNS][CX];
    __shared__ real both_ys[2][COLUMNS][CY];
    // kernels [plane][y][x]; then, in the same place, the columns' sums [plane][v][x], rows of 33 against bank conflicts
    __shared__ real store[PLANES * CY * CX];
    __shared__ unsigned short row_record[2 * TU + 1 + 4 * CX], column_record[2][COLUMN_CODES];
    const int lane = threadIdx.x % LANES, warp = threadIdx.x / LANES;
    const int column = threadIdx.x % TV, row = threadIdx.x / TV;
    const real k = (real)wavenumber, turns = (real)(wavenumber / TWO_PI);
    const real even = (real)(coupling * wavenumber * wavenumber) * (real)0.25;
    real entry[PER_U][2];
#pragma unroll
    for (int i = 0; i < PER_U; ++i) entry[i][0] = entry[i][1] = 0;

    for (int cx = row_chunk_first[blockIdx.y]; cx < row_chunk_first[blockIdx.y + 1]; ++cx) {
        __syncthreads();
        for (int i = threadIdx.x; i < COLUMNS * CX; i += THREADS)
            xs[i / CX][i % CX] = (i < 7 * CX ? (real)1 : (real)coupling) * row_points[(long long)cx * COLUMNS * CX + i];
        for (int i = threadIdx.x; i < 2 * TU + 1 + 4 * CX; i += THREADS)
            row_record[i] = row_lists[(long long)cx * (2 * TU + 1 + 4 * CX) + i];
        real sum[PER_V][6];
#pragma unroll
        for (int i = 0; i < PER_V; ++i)
#pragma unroll
            for (int c = 0; c < 6; ++c) sum[i][c] = 0;
        const int begin = column_chunk_first[blockIdx.x], end = column_chunk_first[blockIdx.x + 1];
        for (int cy = begin - 1; cy < end; ++cy) {
            // the next record, kept in registers until the present one is done with
            real coming[(COLUMN_VALUES + THREADS - 1) / THREADS];
            unsigned short coming_code = 0;
            if (cy + 1 < end) {
#pragma unroll
                for (int i = 0; i < (COLUMN_VALUES + THREADS - 1) / THREADS; ++i)
                    if (i * THREADS + threadIdx.x < COLUMN_VALUES)
                        coming[i] = column_points[(long long)(cy + 1) * COLUMN_VALUES + i * THREADS + threadIdx.x];
                if (threadIdx.x < COLUMN_CODES) coming_code = column_lists[(long long)(cy + 1) * COLUMN_CODES + threadIdx.x];
            }
            const int now = cy & 1;
            real (*ys)[CY] = both_ys[now];
            if (cy >= begin) point_kernels(k, turns, even, image_count, images, xs, ys, store);
            if (cy + 1 < end) {
#pragma unroll
                for (int i = 0; i < (COLUMN_VALUES + THREADS - 1) / THREADS; ++i)
                    if (i * THREADS + threadIdx.x < COLUMN_VALUES) both_ys[1 - now][0][i * THREADS + threadIdx.x] = coming[i];
                if (threadIdx.x < COLUMN_CODES) column_record[1 - now][threadIdx.x] = coming_code;
            }
            __syncthreads();
            if (cy < begin) continue;
            const unsigned short* column_codes = column_record[now] + 2 * TV + 1;
#pragma unroll
            for (int i = 0; i < PER_V; ++i) {
                const unsigned short* list = column_record[now] + 2 * (warp * PER_V + i);
                const int middle = list[1], end = list[2];
                for (int e = list[0]; e < middle; ++e) {
                    const int code = column_codes[e];
                    const real sign = code & 256 ? (real)-1 : (real)1;
                    const real* at = store + (code & 255) * CX + lane;
                    sum[i][0] += at[0];
                    sum[i][1] += at[CY * CX];
                    sum[i][2] += sign * at[2 * CY * CX];
                    sum[i][3] += sign * at[3 * CY * CX];
                    sum[i][4] += sign * at[4 * CY * CX];
                    sum[i][5] += sign * at[5 * CY * CX];
                }
                for (int e = middle; e < end; ++e) {
                    const int code = column_codes[e];
                    const real sign = code & 256 ? (real)-1 : (real)1;
                    const real* at = store + (code & 255) * CX + lane;
                    sum[i][2] += sign * at[6 * CY * CX];
                    sum[i][3] += sign * at[7 * CY * CX];
                    sum[i][4] += sign * at[8 * CY * CX];
                    sum[i][5] += sign * at[9 * CY * CX];
                }
            }
            __syncthreads();
        }
        const int plane = TV * (CX + 1);
#pragma unroll
        for (int i = 0; i < PER_V; ++i) {
            real* at = store + (warp * PER_V + i) * (CX + 1) + lane;
#pragma unroll
            for (int c = 0; c < 6; ++c) at[c * plane] = sum[i][c];
        }
        __syncthreads();
#pragma unroll
        for (int i = 0; i < PER_U; ++i) {
            const unsigned short* list = row_record + 2 * (row + i * ROWS_AT_ONCE);
            const unsigned short* row_codes = row_record + 2 * TU + 1;
            const int middle = list[1], end = list[2];
            real re = 0, im = 0;
            for (int e = list[0]; e < middle; ++e) {
                const int code = row_codes[e];
                const real sign = code & 256 ? (real)-1 : (real)1;
                const real* at = store + column * (CX + 1) + (code & 255);
                re += at[0] + sign * at[2 * plane];
                im += at[plane] + sign * at[3 * plane];
            }
            for (int e = middle; e < end; ++e) {
                const int code = row_codes[e];
                const real sign = code & 256 ? (real)-1 : (real)1;
                const real* at = store + column * (CX + 1) + (code & 255);
                re += sign * at[4 * plane];
                im += sign * at[5 * plane];
            }
            entry[i][0] += re;
            entry[i][1] += im;
        }
    }
    const int j = blockIdx.x * TV + column;
#pragma unroll
    for (int i = 0; i < PER_U; ++i) {
        const int u = blockIdx.y * TU + row + i * ROWS_AT_ONCE;
        if (u < vertices && j < vertices) {
            pair2 value;
            value.x = entry[i][0];
            value.y = entry[i][1];
            matrix[(long long)u * vertices + j] = value;
        }
    }
}

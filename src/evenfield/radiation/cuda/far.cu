// The matrix by the regular rule.

// One block: a tile of TU row vertices by one of TV column vertices, each matrix entry written once. Points are taken in chunks;
// chunk c of a layout has `chunk_point[c * size ...]` (-1: none), and for vertex v of its tile the entries
// list[list_first[2 (c tile + v)] ...]: first those where v is an end of the point's edge, then those where it is opposite;
// an entry is the point's place in the chunk, plus 256 where the curl has the minus sign.
KERNEL void far_matrix(
    double wavenumber, double coupling, int image_count, const real* images, const real* points, int vertices,
    const int* row_chunk_first, const int* row_point, const int* row_list_first, const unsigned short* row_list,
    const int* column_chunk_first, const int* column_point, const int* column_list_first, const unsigned short* column_list,
    pair2* matrix)
{
    __shared__ real xs[COLUMNS][CX];
    __shared__ real ys[COLUMNS][CY];
    // kernels [plane][y][x]; then, in the same place, the columns' sums [plane][v][x], rows of 33 against bank conflicts
    __shared__ real store[(8 * CY * CX > 6 * TV * (CX + 1)) ? 8 * CY * CX : 6 * TV * (CX + 1)];
    const int lane = threadIdx.x % LANES, warp = threadIdx.x / LANES;
    const int column = threadIdx.x % TV, row = threadIdx.x / TV;
    const real k = (real)wavenumber, eta = (real)coupling, turns = (real)(wavenumber / TWO_PI), quarter = (real)0.25;
    const real even = (real)(coupling * wavenumber * wavenumber) * quarter;
    real entry[PER_U][2];
#pragma unroll
    for (int i = 0; i < PER_U; ++i) entry[i][0] = entry[i][1] = 0;

    for (int cx = row_chunk_first[blockIdx.y]; cx < row_chunk_first[blockIdx.y + 1]; ++cx) {
        __syncthreads();
        for (int i = threadIdx.x; i < COLUMNS * CX; i += THREADS) {
            const int p = row_point[cx * CX + i % CX], c = i / CX;
            xs[c][i % CX] = p < 0 ? (c < 3 ? (real)1e3 : (real)0) : points[(long long)p * COLUMNS + c];
        }
        real sum[PER_V][8];
        for (int i = 0; i < PER_V; ++i)
            for (int c = 0; c < 8; ++c) sum[i][c] = 0;
        for (int cy = column_chunk_first[blockIdx.x]; cy < column_chunk_first[blockIdx.x + 1]; ++cy) {
            __syncthreads();
            for (int i = threadIdx.x; i < COLUMNS * CY; i += THREADS) {
                const int p = column_point[cy * CY + i % CY], c = i / CY;
                ys[c][i % CY] = p < 0 ? (c < 3 ? (real)-1e3 : (real)0) : points[(long long)p * COLUMNS + c];
            }
            __syncthreads();
            const real x0 = xs[0][lane], x1 = xs[1][lane], x2 = xs[2][lane];
            const real n0 = xs[3][lane], n1 = xs[4][lane], n2 = xs[5][lane], w = xs[6][lane] * quarter;
            for (int y = warp; y < CY; y += WARPS) {
                real fr = 0, fi = 0, h0 = 0, h1 = 0, h2 = 0, h3 = 0, h4 = 0, h5 = 0;
                const real p0 = ys[0][y], p1 = ys[1][y], p2 = ys[2][y], m0 = ys[3][y], m1 = ys[4][y], m2 = ys[5][y];
                for (int g = 0; g < image_count; ++g) {
                    const real g0 = images[3 * g], g1 = images[3 * g + 1], g2 = images[3 * g + 2], handed = g0 * g1 * g2;
                    const real dx = g0 * p0 - x0, dy = g1 * p1 - x1, dz = g2 * p2 - x2;
                    const real q0 = g0 * m0, q1 = g1 * m1, q2 = g2 * m2;
                    const real square = dx * dx + dy * dy + dz * dz;
                    const real inverse = inverse_root(square + TINY), r = square * inverse;
                    const real green = square > TINY ? inverse * INVERSE_4PI : (real)0;
                    real s, c;
                    sine_cosine(turns * r, &s, &c);
                    const real gr = c * green, gi = -s * green;
                    const real forward = (dx * q0 + dy * q1 + dz * q2) * w * inverse * inverse;
                    const real beside = k * r * forward + even * (n0 * q0 + n1 * q1 + n2 * q2);
                    fr += gr * forward - gi * beside;
                    fi += gr * beside + gi * forward;
                    // the surface curl is a pseudovector: its mirror image has the opposite sign
                    h0 += handed * g0 * gr;
                    h1 += handed * g0 * gi;
                    h2 += handed * g1 * gr;
                    h3 += handed * g1 * gi;
                    h4 += handed * g2 * gr;
                    h5 += handed * g2 * gi;
                }
                real* at = store + y * CX + lane;
                at[0] = fr;
                at[CY * CX] = fi;
                at[2 * CY * CX] = h0;
                at[3 * CY * CX] = h1;
                at[4 * CY * CX] = h2;
                at[5 * CY * CX] = h3;
                at[6 * CY * CX] = h4;
                at[7 * CY * CX] = h5;
            }
            __syncthreads();
#pragma unroll
            for (int i = 0; i < PER_V; ++i) {
                const int* list = column_list_first + 2 * (cy * TV + warp * PER_V + i);
                const int begin = list[0], middle = list[1], end = list[2];
                for (int e = begin; e < end; ++e) {
                    const int code = column_list[e], y = code & 255, from = e < middle ? 7 : 10;
                    const real sign = code & 256 ? (real)-1 : (real)1;
                    const real f0 = sign * ys[from][y], f1 = sign * ys[from + 1][y], f2 = sign * ys[from + 2][y];
                    const real* at = store + y * CX + lane;
                    if (e < middle) {
                        sum[i][0] += at[0];
                        sum[i][1] += at[CY * CX];
                    }
                    sum[i][2] += f0 * at[2 * CY * CX];
                    sum[i][3] += f0 * at[3 * CY * CX];
                    sum[i][4] += f1 * at[4 * CY * CX];
                    sum[i][5] += f1 * at[5 * CY * CX];
                    sum[i][6] += f2 * at[6 * CY * CX];
                    sum[i][7] += f2 * at[7 * CY * CX];
                }
            }
        }
        __syncthreads();
        {
            // -j eta times the curls of the columns with across and along of the row's point
            const real a0 = eta * xs[7][lane], a1 = eta * xs[8][lane], a2 = eta * xs[9][lane];
            const real b0 = eta * xs[10][lane], b1 = eta * xs[11][lane], b2 = eta * xs[12][lane];
            const int plane = TV * (CX + 1);
#pragma unroll
            for (int i = 0; i < PER_V; ++i) {
                real* at = store + (warp * PER_V + i) * (CX + 1) + lane;
                const real* s = sum[i];
                at[0] = s[0];
                at[plane] = s[1];
                at[2 * plane] = a0 * s[3] + a1 * s[5] + a2 * s[7];
                at[3 * plane] = -(a0 * s[2] + a1 * s[4] + a2 * s[6]);
                at[4 * plane] = b0 * s[3] + b1 * s[5] + b2 * s[7];
                at[5 * plane] = -(b0 * s[2] + b1 * s[4] + b2 * s[6]);
            }
        }
        __syncthreads();
#pragma unroll
        for (int i = 0; i < PER_U; ++i) {
            const int* list = row_list_first + 2 * (cx * TU + row + i * ROWS_AT_ONCE);
            const int begin = list[0], middle = list[1], end = list[2], plane = TV * (CX + 1);
            real re = 0, im = 0;
            for (int e = begin; e < end; ++e) {
                const int code = row_list[e];
                const real sign = code & 256 ? (real)-1 : (real)1;
                const real* at = store + column * (CX + 1) + (code & 255);
                if (e < middle) {
                    re += at[0] + sign * at[2 * plane];
                    im += at[plane] + sign * at[3 * plane];
                } else {
                    re += sign * at[4 * plane];
                    im += sign * at[5 * plane];
                }
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

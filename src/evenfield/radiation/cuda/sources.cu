// Right sides.

// Fields of the active points (S of them: `source`) at every point, of strengths (K, S); out (gridDim.y, K, P): the sources are
// cut into gridDim.y spans.
KERNEL void source_points(
    double wavenumber, double coupling, int image_count, const real* images, const real* points, int count, int sources,
    int sides, const int* source, const pair2* strength, pair2* out)
{
    __shared__ real position[3][THREADS];
    __shared__ pair2 weight[SIDES][THREADS];
    const int x = blockIdx.x * THREADS + threadIdx.x, at = x < count ? x : count - 1;
    const real* here = points + (long long)at * COLUMNS;
    const real k = (real)wavenumber, eta = (real)coupling, turns = (real)(wavenumber / TWO_PI);
    const int begin = (int)((long long)sources * blockIdx.y / gridDim.y);
    const int end = (int)((long long)sources * (blockIdx.y + 1) / gridDim.y);
    for (int from = 0; from < sides; from += SIDES) {
        real sum[SIDES][2];
        for (int m = 0; m < SIDES; ++m) sum[m][0] = sum[m][1] = 0;
        for (int tile = begin; tile < end; tile += THREADS) {
            const int s = tile + threadIdx.x;
            __syncthreads();
            for (int c = 0; c < 3; ++c) position[c][threadIdx.x] = s < end ? points[(long long)source[s] * COLUMNS + c] : (real)0;
            for (int m = 0; m < SIDES; ++m) {
                pair2 w;
                w.x = w.y = 0;
                if (s < end && from + m < sides) w = strength[(long long)(from + m) * sources + s];
                weight[m][threadIdx.x] = w;
            }
            __syncthreads();
            const int stop = end - tile < THREADS ? end - tile : THREADS;
            for (int i = 0; i < stop; ++i) {
                real a = 0, b = 0;
                for (int g = 0; g < image_count; ++g) {
                    const real dx = images[3 * g] * position[0][i] - here[0], dy = images[3 * g + 1] * position[1][i] - here[1];
                    const real dz = images[3 * g + 2] * position[2][i] - here[2];
                    const real square = dx * dx + dy * dy + dz * dz, inverse = inverse_root(square + TINY);
                    const real green = square > TINY ? inverse * INVERSE_4PI : (real)0;
                    real sn, cs;
                    sine_cosine(turns * square * inverse, &sn, &cs);
                    const real gr = cs * green, gi = -sn * green;
                    const real slope = eta * (dx * here[3] + dy * here[4] + dz * here[5]) * inverse * inverse;
                    const real c = -here[6] - slope * k * square * inverse;
                    a += gr * c - gi * slope;
                    b += gr * slope + gi * c;
                }
#pragma unroll
                for (int m = 0; m < SIDES; ++m) {
                    const pair2 w = weight[m][i];
                    sum[m][0] += w.x * a - w.y * b;
                    sum[m][1] += w.x * b + w.y * a;
                }
            }
        }
        for (int m = 0; m < SIDES && from + m < sides; ++m)
            if (x < count) {
                pair2 value;
                value.x = sum[m][0];
                value.y = sum[m][1];
                out[((long long)blockIdx.y * sides + from + m) * count + x] = value;
            }
    }
}

// The right sides (K, V): half the fields at the points on a vertex's edges (out of source_points, `spans` of them), the near
// entries times the derivative (K, T) of the triangle that each belongs to, and j eta/2 times the derivative itself.
KERNEL void gather_sources(
    double coupling, int vertices, int sides, int count, int spans, int triangles, const int* point_first, const int* point,
    const pair2* field, const int* near_first, const int* near_entry, const int* near_triangle, const pair2* near,
    const int* triangle_first, const int* triangle, const double* area, const wide2* derivative, wide2* out)
{
    const int i = blockIdx.x * blockDim.x + threadIdx.x;
    if (i >= vertices * sides) return;
    const int v = i % vertices, m = i / vertices;
    double re = 0, im = 0;
    for (int e = point_first[v]; e < point_first[v + 1]; ++e)
        for (int s = 0; s < spans; ++s) {
            const pair2 f = field[((long long)s * sides + m) * count + point[e]];
            re += 0.5 * f.x;
            im += 0.5 * f.y;
        }
    for (int e = near_first[v]; e < near_first[v + 1]; ++e) {
        const wide2 q = derivative[(long long)m * triangles + near_triangle[e]];
        const pair2 f = near[near_entry[e]];
        re += q.x * f.x - q.y * f.y;
        im += q.x * f.y + q.y * f.x;
    }
    for (int e = triangle_first[v]; e < triangle_first[v + 1]; ++e) {
        const int t = triangle[e];
        const wide2 q = derivative[(long long)m * triangles + t];
        re -= coupling / 6 * area[t] * q.y;
        im += coupling / 6 * area[t] * q.x;
    }
    out[i].x = re;
    out[i].y = im;
}

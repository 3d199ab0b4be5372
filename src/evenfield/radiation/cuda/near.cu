// Near pairs: entries of the matrix and of the right sides.

struct Place { real x1[3], x2[3], y0[3], y1[3], y2[3], f[3], b[3], facing, total; double xs[3][3], ys[3][3]; };

// A pair in coordinates local to it, in double precision until the differences are taken.
DEVICE void place_pair(
    const double* corners, const double* normal, const double* area, const double* image, int first, int second,
    const int* p, const int* q, Place* out)
{
    const double* a = corners + 9 * (long long)first;
    const double* b = corners + 9 * (long long)second;
    const double handed = image[0] * image[1] * image[2];
    double facing = 0, f[3] = {0, 0, 0}, back[3] = {0, 0, 0};
    for (int c = 0; c < 3; ++c) {
        const double base = a[3 * p[0] + c], g = image[c], m = g * normal[3 * second + c], n = normal[3 * first + c];
        double x[3], y[3];
        for (int i = 0; i < 3; ++i) {
            x[i] = a[3 * p[i] + c] - base;
            y[i] = g * b[3 * q[i] + c] - base;
            out->xs[i][c] = (a[3 * ((p[i] + 2) % 3) + c] - a[3 * ((p[i] + 1) % 3) + c]) / (2 * area[first]);
            out->ys[i][c] = handed * g * (b[3 * ((q[i] + 2) % 3) + c] - b[3 * ((q[i] + 1) % 3) + c]) / (2 * area[second]);
        }
        out->x1[c] = (real)x[1];
        out->x2[c] = (real)x[2];
        out->y0[c] = (real)y[0];
        out->y1[c] = (real)y[1];
        out->y2[c] = (real)y[2];
        facing += n * m;
        for (int i = 0; i < 3; ++i) {
            f[i] += (y[0] - x[i]) * m;
            back[i] -= y[i] * n;
        }
    }
    for (int i = 0; i < 3; ++i) {
        out->f[i] = (real)f[i];
        out->b[i] = (real)back[i];
    }
    out->facing = (real)facing;
    out->total = (real)(area[first] * area[second] * 0.07957747154594767);
}

// Green's function and both double-layer kernels at one point of a rule, weighted: re, im of each.
DEVICE void pair_kernels(real k, real turns, const Place* at, const real* px, const real* py, real weight, real* wave)
{
    real d[3];
    for (int c = 0; c < 3; ++c)
        d[c] = py[0] * at->y0[c] + py[1] * at->y1[c] + py[2] * at->y2[c] - px[1] * at->x1[c] - px[2] * at->x2[c];
    const real square = d[0] * d[0] + d[1] * d[1] + d[2] * d[2];
    // coincident midpoints are left out here as in the regular rule; no other rule has coincident points
    const real inverse = inverse_root(square + (real)1e-30), r = square * inverse;
    const real green = (square > TINY || weight > (real)0) ? at->total * weight * inverse : (real)0;
    real s, c;
    sine_cosine(turns * r, &s, &c);
    const real gr = c * green, gi = -s * green, scale = inverse * inverse, kr = k * r;
    const real forward = (px[0] * at->f[0] + px[1] * at->f[1] + px[2] * at->f[2]) * scale;
    const real backward = (py[0] * at->b[0] + py[1] * at->b[1] + py[2] * at->b[2]) * scale;
    wave[0] = gr;
    wave[1] = gi;
    wave[2] = (gr - gi * kr) * forward;
    wave[3] = (gi + gr * kr) * forward;
    wave[4] = (gr - gi * kr) * backward;
    wave[5] = (gi + gr * kr) * backward;
}

// Entries of pairs of one way of touching, out (N, 2, 3, 3). Columns of `pairs` (9, N): first, second, image, turns of both.
// rule (7, Q): points on either triangle, weight.
KERNEL void near_matrix(
    double wavenumber, double coupling, int count, int size, const double* corners, const double* normal, const double* area,
    const double* images, const int* pairs, const real* rule, pair2* out)
{
    const int n = blockIdx.x * blockDim.x + threadIdx.x;
    if (n >= count) return;
    int p[3], q[3];
    for (int i = 0; i < 3; ++i) {
        p[i] = pairs[(3 + i) * count + n];
        q[i] = pairs[(6 + i) * count + n];
    }
    Place at;
    place_pair(corners, normal, area, images + 3 * pairs[2 * count + n], pairs[n], pairs[count + n], p, q, &at);
    real sum[9][6], total_r = 0, total_i = 0;
    for (int i = 0; i < 9; ++i)
        for (int c = 0; c < 6; ++c) sum[i][c] = 0;
    for (int m = 0; m < size; ++m) {
        const real px[3] = {rule[m], rule[size + m], rule[2 * size + m]};
        const real py[3] = {rule[3 * size + m], rule[4 * size + m], rule[5 * size + m]};
        real wave[6];
        pair_kernels((real)wavenumber, (real)(wavenumber / TWO_PI), &at, px, py, rule[6 * size + m], wave);
        total_r += wave[0];
        total_i += wave[1];
#pragma unroll
        for (int a = 0; a < 3; ++a)
#pragma unroll
            for (int b = 0; b < 3; ++b) {
                const real shape = px[a] * py[b];
#pragma unroll
                for (int c = 0; c < 6; ++c) sum[3 * a + b][c] += shape * wave[c];
            }
    }
    const real even = (real)(coupling * wavenumber * wavenumber) * at.facing;
    pair2* entries = out + 18 * (long long)n;
#pragma unroll
    for (int a = 0; a < 3; ++a)
#pragma unroll
        for (int b = 0; b < 3; ++b) {
            const double dot = at.xs[a][0] * at.ys[b][0] + at.xs[a][1] * at.ys[b][1] + at.xs[a][2] * at.ys[b][2];
            const real curls = (real)(coupling * dot);
            const real* s = sum[3 * a + b];
            const real hyper_r = -even * s[1] + curls * total_i, hyper_i = even * s[0] - curls * total_r;
            pair2 one, other;
            one.x = s[2] + hyper_r;
            one.y = s[3] + hyper_i;
            other.x = s[4] + hyper_r;
            other.y = s[5] + hyper_i;
            entries[3 * p[a] + q[b]] = one;
            entries[9 + 3 * q[b] + p[a]] = other;
        }
}

// Add near entries to the matrix: place s of the matrix gets the sum of entries[order[first[s] ...]].
KERNEL void add_near(
    int count, int vertices, const int* first, const int* row, const int* column, const int* order, const pair2* entries,
    pair2* matrix)
{
    const int s = blockIdx.x * blockDim.x + threadIdx.x;
    if (s >= count) return;
    double re = 0, im = 0;
    for (int e = first[s]; e < first[s + 1]; ++e) {
        const pair2 v = entries[order[e]];
        re += v.x;
        im += v.y;
    }
    pair2* at = matrix + ((long long)row[s] * vertices + column[s]);
    at->x += (real)re;
    at->y += (real)im;
}

// Right-hand side of unit normal derivative on one of a pair; out (N, 2, 3): tested on the first, then on the second.
KERNEL void near_sources(
    double wavenumber, double coupling, int count, int size, const double* corners, const double* normal, const double* area,
    const double* images, const int* pairs, const real* rule, pair2* out)
{
    const int n = blockIdx.x * blockDim.x + threadIdx.x;
    if (n >= count) return;
    int p[3], q[3];
    for (int i = 0; i < 3; ++i) {
        p[i] = pairs[(3 + i) * count + n];
        q[i] = pairs[(6 + i) * count + n];
    }
    Place at;
    place_pair(corners, normal, area, images + 3 * pairs[2 * count + n], pairs[n], pairs[count + n], p, q, &at);
    real on[3][2], other[3][2];
    for (int i = 0; i < 3; ++i) on[i][0] = on[i][1] = other[i][0] = other[i][1] = 0;
    const real eta = (real)coupling;
    for (int m = 0; m < size; ++m) {
        const real px[3] = {rule[m], rule[size + m], rule[2 * size + m]};
        const real py[3] = {rule[3 * size + m], rule[4 * size + m], rule[5 * size + m]};
        real w[6];
        pair_kernels((real)wavenumber, (real)(wavenumber / TWO_PI), &at, px, py, rule[6 * size + m], w);
        // the adjoint double layer is the double layer of the exchanged pair, with the sign that `backward` has
#pragma unroll
        for (int a = 0; a < 3; ++a) {
            on[a][0] += px[a] * (eta * w[5] - w[0]);
            on[a][1] -= px[a] * (eta * w[4] + w[1]);
            other[a][0] += py[a] * (eta * w[3] - w[0]);
            other[a][1] -= py[a] * (eta * w[2] + w[1]);
        }
    }
    pair2* entries = out + 6 * (long long)n;
#pragma unroll
    for (int a = 0; a < 3; ++a) {
        entries[p[a]].x = on[a][0];
        entries[p[a]].y = on[a][1];
        entries[3 + q[a]].x = other[a][0];
        entries[3 + q[a]].y = other[a][1];
    }
}

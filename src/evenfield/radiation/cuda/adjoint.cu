// Gradients: the contractions of adjoint_far.py, adjoint_near.py and adjoint_field.py.

#define ADJOINT_THREADS 64
#define ADJOINT_TILE 16
#define FIELDS 18                 // adjoint, pressure, strength, curls of adjoint and of pressure; re, im
#define SHAPE_ROWS 8
#define FIELD_ROWS 14

// Every point receives the derivatives of its pairs with all images of a span of points. fields (K, P, 18);
// out (gridDim.y, SHAPE_ROWS + 14 K, P), to be summed over the spans.
KERNEL void contract_far(
    double wavenumber, double coupling, int image_count, const real* images, const real* points, int count, int sides,
    const real* fields, real* out)
{
    __shared__ real own[SIDES * FIELDS][ADJOINT_THREADS];
    __shared__ real geometry[7][ADJOINT_TILE];
    __shared__ real field[SIDES * FIELDS][ADJOINT_TILE];
    const int t = threadIdx.x, x = blockIdx.x * ADJOINT_THREADS + t, at = x < count ? x : count - 1;
    const real* here = points + (long long)at * COLUMNS;
    const real x0 = here[0], x1 = here[1], x2 = here[2], n0 = here[3], n1 = here[4], n2 = here[5], wx = here[6];
    const real k = (real)wavenumber, eta = (real)coupling, turns = (real)(wavenumber / TWO_PI), k2 = k * k, three = 3;
    const int begin = (int)((long long)count * blockIdx.y / gridDim.y);
    const int end = (int)((long long)count * (blockIdx.y + 1) / gridDim.y);
    real* rows = out + (long long)blockIdx.y * (SHAPE_ROWS + FIELD_ROWS * sides) * count;
    real shape[SHAPE_ROWS];
#pragma unroll
    for (int c = 0; c < SHAPE_ROWS; ++c) shape[c] = 0;
    for (int from = 0; from < sides; from += SIDES) {
        for (int c = 0; c < SIDES * FIELDS; ++c) {
            const int m = from + c / FIELDS;
            own[c][t] = m < sides ? fields[((long long)m * count + at) * FIELDS + c % FIELDS] : (real)0;
        }
        real onto[SIDES][FIELD_ROWS];
#pragma unroll
        for (int m = 0; m < SIDES; ++m)
#pragma unroll
            for (int c = 0; c < FIELD_ROWS; ++c) onto[m][c] = 0;
        for (int tile = begin; tile < end; tile += ADJOINT_TILE) {
            const int size = end - tile < ADJOINT_TILE ? end - tile : ADJOINT_TILE;
            __syncthreads();
            for (int i = t; i < 7 * size; i += ADJOINT_THREADS)
                geometry[i % 7][i / 7] = points[(long long)(tile + i / 7) * COLUMNS + i % 7];
            for (int i = t; i < SIDES * FIELDS * size; i += ADJOINT_THREADS) {
                const int c = i % FIELDS, y = i / FIELDS % size, m = i / (FIELDS * size);
                const real value = from + m < sides ? fields[((long long)(from + m) * count + tile + y) * FIELDS + c] : (real)0;
                field[m * FIELDS + c][y] = value;
            }
            __syncthreads();
            for (int y = 0; y < size; ++y) {
                // s, s', t, t' and the curls' products by component
                real p[14], wave[8];
#pragma unroll
                for (int c = 0; c < 14; ++c) p[c] = 0;
#pragma unroll
                for (int c = 0; c < 8; ++c) wave[c] = 0;
#pragma unroll
                for (int m = 0; m < SIDES; ++m) {
                    if (from + m >= sides) break;
                    const int f = m * FIELDS;
#define OWN(c) own[f + (c)][t]
#define FIELD(c) field[f + (c)][y]
#define ADD(to, a, b)                                                 \
    p[to] += OWN(a) * FIELD(b) - OWN(a + 1) * FIELD(b + 1);           \
    p[to + 1] += OWN(a) * FIELD(b + 1) + OWN(a + 1) * FIELD(b);
                    ADD(0, 0, 2)
                    ADD(2, 2, 0)
                    ADD(4, 0, 4)
                    ADD(6, 4, 0)
#pragma unroll
                    for (int c = 0; c < 3; ++c) {
                        ADD(8 + 2 * c, 6 + 2 * c, 12 + 2 * c)
                        ADD(8 + 2 * c, 12 + 2 * c, 6 + 2 * c)
                    }
#undef ADD
#undef OWN
#undef FIELD
                }
                const real wy = geometry[6][y];
                for (int g = 0; g < image_count; ++g) {
                    const real g0 = images[3 * g], g1 = images[3 * g + 1], g2 = images[3 * g + 2], handed = g0 * g1 * g2;
                    const real u0 = handed * g0, u1 = handed * g1, u2 = handed * g2;
                    const real d0 = g0 * geometry[0][y] - x0, d1 = g1 * geometry[1][y] - x1, d2 = g2 * geometry[2][y] - x2;
                    const real m0 = g0 * geometry[3][y], m1 = g1 * geometry[4][y], m2 = g2 * geometry[5][y];
                    const real square = d0 * d0 + d1 * d1 + d2 * d2;
                    const real inverse = inverse_root(square + TINY), r = square * inverse;
                    const real green = square > TINY ? inverse * INVERSE_4PI : (real)0;
                    real s, c;
                    sine_cosine(turns * r, &s, &c);
                    const real gr = c * green, gi = -s * green, over = inverse * inverse, kr = k * r;
                    const real hr = (gr - gi * kr) * over, hi = (gi + gr * kr) * over;
                    const real dx = d0 * n0 + d1 * n1 + d2 * n2, dy = d0 * m0 + d1 * m1 + d2 * m2;
                    const real facing = n0 * m0 + n1 * m1 + n2 * m2;
                    const real ar = wy * p[2] - eta * p[5], ai = wy * p[3] + eta * p[4];
                    const real br = wx * p[0] - eta * p[7], bi = wx * p[1] + eta * p[6];
                    // the hypersingular term without its j eta
                    const real er = u0 * p[8] + u1 * p[10] + u2 * p[12] - k2 * facing * (p[0] + p[2]);
                    const real ei = u0 * p[9] + u1 * p[11] + u2 * p[13] - k2 * facing * (p[1] + p[3]);
                    const real slope_r = ar * dx - br * dy, slope_i = ai * dx - bi * dy;
                    const real plain_r = -eta * ei - wx * p[4] - wy * p[6], plain_i = eta * er - wx * p[5] - wy * p[7];
                    // derivative by R^2: of G is -G h/2, of G h is G (k^2 R^2 - 3 - 3jkR)/(2 R^4)
                    const real cr = kr * kr - three, ci = -three * kr;
                    const real fr = (gr * cr - gi * ci) * over * over, fi = (gr * ci + gi * cr) * over * over;
                    const real both = (fr * slope_r - fi * slope_i) - (hr * plain_r - hi * plain_i);
                    const real onto_x = hr * ar - hi * ai, onto_y = hr * br - hi * bi;
                    shape[0] -= both * d0 + onto_x * n0 - onto_y * m0;
                    shape[1] -= both * d1 + onto_x * n1 - onto_y * m1;
                    shape[2] -= both * d2 + onto_x * n2 - onto_y * m2;
                    const real across = eta * k2 * (gr * (p[1] + p[3]) + gi * (p[0] + p[2]));
                    shape[3] += onto_x * d0 + across * m0;
                    shape[4] += onto_x * d1 + across * m1;
                    shape[5] += onto_x * d2 + across * m2;
                    shape[6] -= (hr * p[0] - hi * p[1]) * dy + gr * p[4] - gi * p[5];
                    shape[7] -= hr * (p[5] * dx - p[7] * dy) + hi * (p[4] * dx - p[6] * dy) + gr * ei + gi * er;
                    wave[0] += u0 * gr;
                    wave[1] += u0 * gi;
                    wave[2] += u1 * gr;
                    wave[3] += u1 * gi;
                    wave[4] += u2 * gr;
                    wave[5] += u2 * gi;
                    wave[6] += eta * hi * dy - wy * gr;
                    wave[7] -= eta * hr * dy + wy * gi;
                }
#pragma unroll
                for (int m = 0; m < SIDES; ++m) {
                    if (from + m >= sides) break;
                    const int f = m * FIELDS;
#pragma unroll
                    for (int c = 0; c < 3; ++c) {
                        const real lr = field[f + 6 + 2 * c][y], li = field[f + 7 + 2 * c][y];
                        const real pr = field[f + 12 + 2 * c][y], pi = field[f + 13 + 2 * c][y];
                        onto[m][2 * c] += wave[2 * c] * pr - wave[2 * c + 1] * pi;
                        onto[m][2 * c + 1] += wave[2 * c] * pi + wave[2 * c + 1] * pr;
                        onto[m][6 + 2 * c] += wave[2 * c] * lr - wave[2 * c + 1] * li;
                        onto[m][7 + 2 * c] += wave[2 * c] * li + wave[2 * c + 1] * lr;
                    }
                    const real lr = field[f][y], li = field[f + 1][y];
                    onto[m][12] += wave[6] * lr - wave[7] * li;
                    onto[m][13] += wave[6] * li + wave[7] * lr;
                }
            }
        }
        if (x < count)
            for (int m = 0; m < SIDES && from + m < sides; ++m)
#pragma unroll
                for (int c = 0; c < FIELD_ROWS; ++c)
                    rows[(long long)(SHAPE_ROWS + FIELD_ROWS * (from + m) + c) * count + x] = onto[m][c];
    }
    if (x < count)
#pragma unroll
        for (int c = 0; c < SHAPE_ROWS; ++c) rows[(long long)c * count + x] = shape[c];
}

// ------------------------------------------------------------------------------------------------- near pairs, double precision

DEVICE wide2 times(wide2 a, wide2 b)
{
    wide2 c;
    c.x = a.x * b.x - a.y * b.y;
    c.y = a.x * b.y + a.y * b.x;
    return c;
}

DEVICE double area_vector(const double x[3][3], double handed, double* out)
{
    double square = 0;
    for (int c = 0; c < 3; ++c) {
        const int d = (c + 1) % 3, e = (c + 2) % 3;
        out[c] = handed / 2 * ((x[1][d] - x[0][d]) * (x[2][e] - x[0][e]) - (x[1][e] - x[0][e]) * (x[2][d] - x[0][d]));
        square += out[c] * out[c];
    }
    return sqrt(square);
}

DEVICE void pull_area_vector(const double x[3][3], double handed, const double* cotangent, double out[3][3])
{
    for (int c = 0; c < 3; ++c) {
        const int d = (c + 1) % 3, e = (c + 2) % 3;
        const double ud = handed / 2 * cotangent[d], ue = handed / 2 * cotangent[e];
        const double second = (x[2][d] - x[0][d]) * ue - (x[2][e] - x[0][e]) * ud;
        const double third = ud * (x[1][e] - x[0][e]) - ue * (x[1][d] - x[0][d]);
        out[1][c] += second;
        out[2][c] += third;
        out[0][c] -= second + third;
    }
}

// component c of the surface curl times twice the area of corner values
DEVICE wide2 edge_curl(const wide2* values, const double x[3][3], double handed, int c)
{
    wide2 sum;
    sum.x = sum.y = 0;
    for (int p = 0; p < 3; ++p) {
        const double along = handed * (x[(p + 2) % 3][c] - x[(p + 1) % 3][c]);
        sum.x += values[p].x * along;
        sum.y += values[p].y * along;
    }
    return sum;
}

// add to out the real part of the cotangent of component c of edge_curl
DEVICE void pull_curl(const wide2* values, double handed, wide2 cotangent, int c, double out[3][3])
{
    for (int p = 0; p < 3; ++p) {
        const double share = handed * (values[p].x * cotangent.x - values[p].y * cotangent.y);
        out[(p + 2) % 3][c] += share;
        out[(p + 1) % 3][c] -= share;
    }
}

DEVICE void corner_values(const wide2* field, int size, int m, const int* corners, double scale, wide2* out)
{
    for (int a = 0; a < 3; ++a) {
        out[a].x = scale * field[(long long)m * size + corners[a]].x;
        out[a].y = scale * field[(long long)m * size + corners[a]].y;
    }
}

// Derivatives by the corners of pairs of one way of touching, out (N, 2, 3, 3), and by the coupling, out_coupling (N).
// rule (7, Q) in double precision; adjoint, pressure (K, V); derivative (K, T).
KERNEL void contract_near(
    double wavenumber, double coupling, int count, int size, int shared, int sides, int vertex_count, int triangle_count,
    const double* vertices, const int* triangles, const double* images, const wide2* adjoint, const wide2* pressure,
    const wide2* derivative, const int* pairs, const double* rule, double* out, double* out_coupling)
{
    const int n = blockIdx.x * blockDim.x + threadIdx.x;
    if (n >= count) return;
    const int first = pairs[n], second = pairs[count + n];
    const int* one = triangles + 3 * (long long)first;
    const int* two = triangles + 3 * (long long)second;
    const double* g = images + 3 * pairs[2 * count + n];
    const double handed = g[0] * g[1] * g[2], back = first != second ? 1.0 : 0.0;
    int px[3], py[3];
    double x[3][3], y[3][3], tx[3][3], ty[3][3];
    for (int a = 0; a < 3; ++a) {
        px[a] = pairs[(3 + a) * count + n];
        py[a] = pairs[(6 + a) * count + n];
    }
    for (int c = 0; c < 3; ++c) {
        const double base = vertices[3 * (long long)one[px[0]] + c];
        for (int a = 0; a < 3; ++a) {
            x[a][c] = vertices[3 * (long long)one[a] + c] - base;
            y[a][c] = g[c] * vertices[3 * (long long)two[a] + c] - base;
        }
    }
    for (int a = 0; a < 3; ++a)
        for (int c = 0; c < 3; ++c) {
            tx[a][c] = x[px[a]][c];
            ty[a][c] = y[py[a]][c];
        }
    double nx[3], ny[3];
    const double ax = area_vector(x, 1.0, nx), ay = area_vector(y, handed, ny);
    const double facing = nx[0] * ny[0] + nx[1] * ny[1] + nx[2] * ny[2];
    wide2 s[9], z[9], t[3], v[3], total;
    total.x = total.y = 0;
    for (int i = 0; i < 9; ++i) s[i].x = s[i].y = z[i].x = z[i].y = 0;
    for (int i = 0; i < 3; ++i) t[i].x = t[i].y = v[i].x = v[i].y = 0;
    for (int m = 0; m < sides; ++m) {
        wide2 lx[3], qx[3], ly[3], qy[3];
        corner_values(adjoint, vertex_count, m, one, 1.0, lx);
        corner_values(pressure, vertex_count, m, one, 1.0, qx);
        corner_values(adjoint, vertex_count, m, two, back, ly);
        corner_values(pressure, vertex_count, m, two, 1.0, qy);
        const wide2 here = derivative[(long long)m * triangle_count + first];
        const wide2 there = derivative[(long long)m * triangle_count + second];
        for (int c = 0; c < 3; ++c) {
            const wide2 a = times(edge_curl(lx, x, 1.0, c), edge_curl(qy, y, handed, c));
            const wide2 b = times(edge_curl(qx, x, 1.0, c), edge_curl(ly, y, handed, c));
            total.x += a.x + b.x;
            total.y += a.y + b.y;
        }
        for (int a = 0; a < 3; ++a) {
            const wide2 p = times(lx[px[a]], there), q = times(ly[py[a]], here);
            t[a].x += p.x;
            t[a].y += p.y;
            v[a].x += q.x;
            v[a].y += q.y;
            for (int d = 0; d < 3; ++d) {
                const wide2 e = times(lx[px[a]], qy[py[d]]), f = times(qx[px[a]], ly[py[d]]);
                s[3 * a + d].x += e.x;
                s[3 * a + d].y += e.y;
                z[3 * a + d].x += f.x;
                z[3 * a + d].y += f.y;
            }
        }
    }
    double f[3] = {0, 0, 0}, b[3] = {0, 0, 0}, sf[3] = {0, 0, 0}, sb[3] = {0, 0, 0}, turned[2][3][3];
    for (int a = 0; a < 3; ++a)
        for (int c = 0; c < 3; ++c) {
            turned[0][a][c] = turned[1][a][c] = 0;
            if (a >= shared) {
                f[a] += (ty[0][c] - tx[a][c]) * ny[c];
                b[a] -= (ty[a][c] - tx[0][c]) * nx[c];
            }
        }
    const double k = wavenumber, turns = wavenumber / TWO_PI, k2 = k * k;
    double by_ax = 0, by_ay = 0, by_facing = 0, green_r = 0, green_i = 0, by_coupling = 0;
    for (int m = 0; m < size; ++m) {
        double u[3], w[3];
        for (int a = 0; a < 3; ++a) {
            u[a] = rule[a * size + m];
            w[a] = rule[(3 + a) * size + m];
        }
        const double weight = rule[6 * size + m];
        double d[3];
        for (int c = 0; c < 3; ++c)
            d[c] = w[0] * ty[0][c] + w[1] * ty[1][c] + w[2] * ty[2][c] - u[0] * tx[0][c] - u[1] * tx[1][c] - u[2] * tx[2][c];
        const double square = d[0] * d[0] + d[1] * d[1] + d[2] * d[2];
        const double inverse = 1.0 / sqrt(square + 1e-30), r = square * inverse;
        const double green = square > 1e-13 || weight > 0.0 ? weight * inverse * 0.07957747154594767 : 0.0;
        double sn, cs;
        const double angle = turns * r;
        sincos(TWO_PI * (angle - rint(angle)), &sn, &cs);
        const double gr = cs * green, gi = -sn * green, over = inverse * inverse, kr = k * r;
        const double hr = (gr - gi * kr) * over, hi = (gi + gr * kr) * over;
        wide2 ss, zz, tt, vv;
        ss.x = ss.y = zz.x = zz.y = tt.x = tt.y = vv.x = vv.y = 0;
        for (int a = 0; a < 3; ++a) {
            tt.x += u[a] * t[a].x;
            tt.y += u[a] * t[a].y;
            vv.x += w[a] * v[a].x;
            vv.y += w[a] * v[a].y;
            for (int e = 0; e < 3; ++e) {
                const double product = u[a] * w[e];
                ss.x += product * s[3 * a + e].x;
                ss.y += product * s[3 * a + e].y;
                zz.x += product * z[3 * a + e].x;
                zz.y += product * z[3 * a + e].y;
            }
        }
        const double onto_y = u[0] * f[0] + u[1] * f[1] + u[2] * f[2], onto_x = w[0] * b[0] + w[1] * b[1] + w[2] * b[2];
        const double ur = ss.x - coupling * vv.y, ui = ss.y + coupling * vv.x;
        const double wr = zz.x - coupling * tt.y, wi = zz.y + coupling * tt.x;
        const double er = total.x / 4 - k2 * facing * (ss.x + zz.x), ei = total.y / 4 - k2 * facing * (ss.y + zz.y);
        const double slope_r = -ax * onto_y * ur - ay * onto_x * wr, slope_i = -ax * onto_y * ui - ay * onto_x * wi;
        const double plain_r = -coupling * ei - ax * ay * (tt.x + vv.x), plain_i = coupling * er - ax * ay * (tt.y + vv.y);
        const double cr = kr * kr - 3, ci = -3 * kr;
        const double fr = (gr * cr - gi * ci) * over * over, fi = (gr * ci + gi * cr) * over * over;
        const double both = (fr * slope_r - fi * slope_i) - (hr * plain_r - hi * plain_i);
        const double along_y = -(hr * ur - hi * ui), along_x = -(hr * wr - hi * wi);
        const double single = gr * (tt.x + vv.x) - gi * (tt.y + vv.y);
        by_ax += along_y * onto_y - ay * single;
        by_ay += along_x * onto_x - ax * single;
        by_facing += coupling * k2 * (gr * (ss.y + zz.y) + gi * (ss.x + zz.x));
        green_r += gr;
        green_i += gi;
        by_coupling += ax * onto_y * (hr * vv.y + hi * vv.x) + ay * onto_x * (hr * tt.y + hi * tt.x) - (gr * ei + gi * er);
        for (int a = 0; a < 3; ++a) {
            sf[a] += ax * along_y * u[a];
            sb[a] += ay * along_x * w[a];
            for (int c = 0; c < 3; ++c) {
                turned[0][a][c] -= both * d[c] * u[a];
                turned[1][a][c] += both * d[c] * w[a];
            }
        }
    }
    double dnx[3], dny[3], corner[2][3][3];
    for (int c = 0; c < 3; ++c) {
        dnx[c] = by_facing * ny[c] + by_ax * nx[c] / ax;
        dny[c] = by_facing * nx[c] + by_ay * ny[c] / ay;
        for (int a = shared; a < 3; ++a) {
            turned[1][0][c] += sf[a] * ny[c];
            turned[0][a][c] -= sf[a] * ny[c];
            dny[c] += sf[a] * (ty[0][c] - tx[a][c]);
            turned[1][a][c] -= sb[a] * nx[c];
            turned[0][0][c] += sb[a] * nx[c];
            dnx[c] -= sb[a] * (ty[a][c] - tx[0][c]);
        }
    }
    for (int a = 0; a < 3; ++a)
        for (int c = 0; c < 3; ++c) {
            corner[0][px[a]][c] = turned[0][a][c];
            corner[1][py[a]][c] = turned[1][a][c];
        }
    pull_area_vector(x, 1.0, dnx, corner[0]);
    pull_area_vector(y, handed, dny, corner[1]);
    wide2 wave;
    wave.x = -coupling / 4 * green_i;
    wave.y = coupling / 4 * green_r;
    for (int m = 0; m < sides; ++m) {
        wide2 lx[3], qx[3], ly[3], qy[3];
        corner_values(adjoint, vertex_count, m, one, 1.0, lx);
        corner_values(pressure, vertex_count, m, one, 1.0, qx);
        corner_values(adjoint, vertex_count, m, two, back, ly);
        corner_values(pressure, vertex_count, m, two, 1.0, qy);
        for (int c = 0; c < 3; ++c) {
            pull_curl(lx, 1.0, times(wave, edge_curl(qy, y, handed, c)), c, corner[0]);
            pull_curl(qx, 1.0, times(wave, edge_curl(ly, y, handed, c)), c, corner[0]);
            pull_curl(qy, handed, times(wave, edge_curl(lx, x, 1.0, c)), c, corner[1]);
            pull_curl(ly, handed, times(wave, edge_curl(qx, x, 1.0, c)), c, corner[1]);
        }
    }
    double* to = out + 18 * (long long)n;
    for (int a = 0; a < 3; ++a)
        for (int c = 0; c < 3; ++c) {
            to[3 * a + c] = corner[0][a][c];
            to[9 + 3 * a + c] = g[c] * corner[1][a][c];
        }
    out_coupling[n] = by_coupling;
}

// Sum triples: out (V, 3) = sum of values (., 3) over order[first[v] ...]
KERNEL void gather_triples(int vertices, const int* first, const int* order, const double* values, double* out)
{
    const int v = blockIdx.x * blockDim.x + threadIdx.x;
    if (v >= vertices) return;
    double sum[3] = {0, 0, 0};
    for (int e = first[v]; e < first[v + 1]; ++e)
        for (int c = 0; c < 3; ++c) sum[c] += values[3 * (long long)order[e] + c];
    for (int c = 0; c < 3; ++c) out[3 * (long long)v + c] = sum[c];
}

// -------------------------------------------------------------------------------------------------------- the far field's share

// Per point, over a span of directions: derivative by its position (3), and for each side the sums of weight u e^{jk u.y} (3) and
// weight e^{jk u.y}, re, im. planes (K, P, 4) as in far_field; weights (K, D); out (gridDim.y, 3 + 8 K, P).
KERNEL void pull_far(
    double wavenumber, int count, int sides, int directions, const real* points, const real* planes, const double* direction,
    const pair2* weights, real* out)
{
    __shared__ real u[3][ADJOINT_THREADS];
    __shared__ pair2 weight[SIDES][ADJOINT_THREADS];
    const int t = threadIdx.x, x = blockIdx.x * ADJOINT_THREADS + t, at = x < count ? x : count - 1;
    const real* here = points + (long long)at * COLUMNS;
    const real wave = (real)wavenumber, turns = (real)(wavenumber / TWO_PI);
    const int begin = (int)((long long)directions * blockIdx.y / gridDim.y);
    const int end = (int)((long long)directions * (blockIdx.y + 1) / gridDim.y);
    real* rows = out + (long long)blockIdx.y * (3 + 8 * sides) * count;
    real push[3] = {0, 0, 0};
    for (int from = 0; from < sides; from += SIDES) {
        real sum[SIDES][8], f[SIDES][4];
#pragma unroll
        for (int m = 0; m < SIDES; ++m) {
#pragma unroll
            for (int c = 0; c < 8; ++c) sum[m][c] = 0;
#pragma unroll
            for (int c = 0; c < 4; ++c) f[m][c] = from + m < sides ? planes[((long long)(from + m) * count + at) * 4 + c] : (real)0;
        }
        for (int tile = begin; tile < end; tile += ADJOINT_THREADS) {
            const int d = tile + t, size = end - tile < ADJOINT_THREADS ? end - tile : ADJOINT_THREADS;
            __syncthreads();
            for (int c = 0; c < 3; ++c) u[c][t] = d < end ? (real)direction[3 * d + c] : (real)0;
            for (int m = 0; m < SIDES; ++m) {
                pair2 w;
                w.x = w.y = 0;
                if (d < end && from + m < sides) w = weights[(long long)(from + m) * directions + d];
                weight[m][t] = w;
            }
            __syncthreads();
            for (int i = 0; i < size; ++i) {
                const real u0 = u[0][i], u1 = u[1][i], u2 = u[2][i];
                real s, c;
                sine_cosine(turns * (u0 * here[0] + u1 * here[1] + u2 * here[2]), &s, &c);
                const real slope = wave * (u0 * here[3] + u1 * here[4] + u2 * here[5]);
                real shared_push = 0;
#pragma unroll
                for (int m = 0; m < SIDES; ++m) {
                    const pair2 w = weight[m][i];
                    const real er = w.x * c - w.y * s, ei = w.x * s + w.y * c;
                    // jk e (j slope p - q), real part
                    const real fr = -slope * f[m][1] - f[m][2], fi = slope * f[m][0] - f[m][3];
                    shared_push -= wave * (er * fi + ei * fr);
                    sum[m][0] += u0 * er;
                    sum[m][1] += u0 * ei;
                    sum[m][2] += u1 * er;
                    sum[m][3] += u1 * ei;
                    sum[m][4] += u2 * er;
                    sum[m][5] += u2 * ei;
                    sum[m][6] += er;
                    sum[m][7] += ei;
                }
                push[0] += u0 * shared_push;
                push[1] += u1 * shared_push;
                push[2] += u2 * shared_push;
            }
        }
        if (x < count)
            for (int m = 0; m < SIDES && from + m < sides; ++m)
#pragma unroll
                for (int c = 0; c < 8; ++c) rows[(long long)(3 + 8 * (from + m) + c) * count + x] = sum[m][c];
    }
    if (x < count)
        for (int c = 0; c < 3; ++c) rows[(long long)c * count + x] = push[c];
}

/* The same step of the same field in plain C, with the same tiles: what a compiler makes of it is the bench's measure.

   Row i stands for all depths nz at one distance; a row is a whole number of vectors, and neighbouring rows do not
   overlap. Operation (j, s) does step s of row j - s and waits for (j - 1, s) and (j, s - 1) only. */

#include <stddef.h>
#include <stdint.h>

typedef struct {
    int64_t nx, nz, n;
    float *e, *hx, *hz;
    /* Memory of the edges: (nx, 2, n) at top and bottom, (2, n, nz) at the ends. */
    float *psi_hx, *psi_ez, *psi_hz, *psi_ex;
    const float *keep, *gain;
    /* Coefficients (6, n) of the four edges: b, c, stretch for the magnetic field, then for the electric one. */
    const float *down, *up, *along, *back;
} Grid;

typedef struct {
    const int64_t *first, *k, *which;
    const float *weight;
    float *series;
    int64_t steps;
} Points;

static inline void magnetic(const float *restrict e, const float *restrict beyond, float *restrict hx,
                            float *restrict hz, int64_t nz)
{
#pragma omp simd
    for (int64_t k = 0; k < nz; k++) {
        hz[k] += beyond[k] - e[k];
        hx[k] += e[k + 1] - e[k];
    }
}

static inline void electric(float *restrict e, const float *restrict keep, const float *restrict gain,
                            const float *restrict hx, const float *restrict hz, const float *restrict before,
                            int64_t nz)
{
#pragma omp simd
    for (int64_t k = 0; k < nz; k++)
        e[k] = keep[k] * e[k] + gain[k] * ((hx[k] - hx[k - 1]) + (hz[k] - before[k]));
}

/* The outermost cell moves in neither loop: its gain is nought. The bottom begins with a whole vector, as the top does. */
static inline void edge_magnetic(float *restrict hx, const float *restrict e, float *restrict psi,
                                 const float *restrict at, int64_t n)
{
    const float *restrict b = at, *restrict c = at + n, *restrict stretch = at + 2 * n;
#pragma omp simd
    for (int64_t k = 0; k < n; k++) {
        float change = e[k + 1] - e[k];
        psi[k] = b[k] * psi[k] + c[k] * change;
        hx[k] += stretch[k] * change + psi[k];
    }
}

static inline void edge_electric(float *restrict e, const float *restrict gain, const float *restrict hx,
                                 float *restrict psi, const float *restrict at, int64_t n)
{
    const float *restrict b = at, *restrict c = at + n, *restrict stretch = at + 2 * n;
#pragma omp simd
    for (int64_t k = 0; k < n; k++) {
        float change = hx[k] - hx[k - 1];
        psi[k] = b[k] * psi[k] + c[k] * change;
        e[k] += gain[k] * (stretch[k] * change + psi[k]);
    }
}

static inline void end_magnetic(float *restrict hz, const float *restrict e, const float *restrict beyond,
                                float *restrict psi, const float *at, int64_t n, int64_t nz)
{
    const float b = at[0], c = at[n], stretch = at[2 * n];
#pragma omp simd
    for (int64_t k = 0; k < nz; k++) {
        float change = beyond[k] - e[k];
        psi[k] = b * psi[k] + c * change;
        hz[k] += stretch * change + psi[k];
    }
}

static inline void end_electric(float *restrict e, const float *restrict gain, const float *restrict hz,
                                const float *restrict before, float *restrict psi, const float *at, int64_t n,
                                int64_t nz)
{
    const float b = at[0], c = at[n], stretch = at[2 * n];
#pragma omp simd
    for (int64_t k = 0; k < nz; k++) {
        float change = hz[k] - before[k];
        psi[k] = b * psi[k] + c * change;
        e[k] += gain[k] * (stretch * change + psi[k]);
    }
}

static void row(const Grid *g, int64_t i, int64_t s, const Points *sources, const Points *receivers)
{
    const int64_t nx = g->nx, nz = g->nz, n = g->n, low = nz - n, m = i - (nx - 1 - n);
    float *e = g->e + i * nz, *hx = g->hx + i * nz, *hz = g->hz + i * nz;
    const float *gain = g->gain + i * nz, *before = hz - nz, *beyond = e + nz;
    float *psi_hx = g->psi_hx + 2 * i * n, *psi_ez = g->psi_ez + 2 * i * n;

    magnetic(e, beyond, hx, hz, nz);
    edge_magnetic(hx, e, psi_hx, g->down, n);
    edge_magnetic(hx + low, e + low, psi_hx + n, g->up, n);
    if (i < n)
        end_magnetic(hz, e, beyond, g->psi_hz + i * nz, g->along + i, n, nz);
    else if (m >= 0)
        end_magnetic(hz, e, beyond, g->psi_hz + (n + m) * nz, g->back + m, n, nz);
    if (i == 0)
        return;
    electric(e, g->keep + i * nz, gain, hx, hz, before, nz);
    edge_electric(e, gain, hx, psi_ez, g->down + 3 * n, n);
    edge_electric(e + low, gain + low, hx + low, psi_ez + n, g->up + 3 * n, n);
    if (i < n)
        end_electric(e, gain, hz, before, g->psi_ex + i * nz, g->along + 3 * n + i, n, nz);
    else if (m > 0)
        end_electric(e, gain, hz, before, g->psi_ex + (n + m) * nz, g->back + 3 * n + m, n, nz);
    for (int64_t j = sources->first[i]; j < sources->first[i + 1]; j++)
        e[sources->k[j]] -= gain[sources->k[j]] * sources->weight[j]
                            * sources->series[sources->which[j] * sources->steps + s];
    for (int64_t j = receivers->first[i]; j < receivers->first[i + 1]; j++)
        receivers->series[receivers->which[j] * receivers->steps + s] += receivers->weight[j] * e[receivers->k[j]];
}

static void tile(const Grid *g, int64_t first, int64_t steps, int64_t left, int64_t right, const Points *sources,
                 const Points *receivers)
{
    const int64_t last = g->nx - 1;
    if (right > last + steps - 1)
        right = last + steps - 1;
    for (int64_t j = left; j < right; j++) {
        int64_t from = j - last + 1, to = j + 1;
        if (from < 0)
            from = 0;
        if (to > steps)
            to = steps;
        for (int64_t s = from; s < to; s++)
            row(g, j - s, first + s, sources, receivers);
    }
}

void advance(const Grid *g, int64_t steps, int64_t depth, const Points *sources, const Points *receivers)
{
    for (int64_t first = 0; first < steps; first += depth)
        tile(g, first, depth < steps - first ? depth : steps - first, 0, g->nx + depth, sources, receivers);
}

void advance_parallel(const Grid *g, int64_t steps, int64_t depth, int64_t width, int threads, const Points *sources,
                      const Points *receivers)
{
    const int64_t bands = (steps + depth - 1) / depth, tiles = (g->nx - 1 + depth - 1 + width - 1) / width;
#pragma omp parallel num_threads(threads)
    for (int64_t front = 0; front < 2 * (bands - 1) + tiles; front++) {
        int64_t lowest = (front - tiles + 2) / 2, highest = front / 2 + 1;
        if (front - tiles + 2 < 0)
            lowest = 0;
        if (highest > bands)
            highest = bands;
#pragma omp for schedule(static)
        for (int64_t band = lowest; band < highest; band++) {
            int64_t first = band * depth, left = (front - 2 * band) * width;
            tile(g, first, depth < steps - first ? depth : steps - first, left, left + width, sources, receivers);
        }
    }
}

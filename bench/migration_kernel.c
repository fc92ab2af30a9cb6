/* A diffraction sum over zero-offset traces, times on the fly: the peer of bench_migration. */
#include <math.h>
#include <stdint.h>

void gather(const float *traces, const float *x, const float *z, float *image, int64_t n_trace, int64_t n_column,
            int64_t n_depth, int64_t length, float scale, float tangent, int threads)
{
#pragma omp parallel for schedule(dynamic, 4) num_threads(threads)
    for (int64_t i = 0; i < n_column; ++i) {
        float *restrict out = image + i * n_depth;
        for (int64_t j = 0; j < n_depth; ++j) out[j] = 0.0f;
        for (int64_t t = 0; t < n_trace; ++t) {
            const float *restrict row = traces + t * length;
            const float away = fabsf(x[i] - x[t]), square = away * away, least = away / tangent;
            int64_t first = 0;
            while (first < n_depth && z[first] <= least) ++first;
            for (int64_t j = first; j < n_depth; ++j) {
                float time = scale * sqrtf(square + z[j] * z[j]);
                time = time < (float)(length - 2) ? time : (float)(length - 2);
                const int32_t k = (int32_t)time;
                out[j] += row[k] + (time - (float)k) * (row[k + 1] - row[k]);
            }
        }
    }
}

/* What intervals of streams come to: percentiles and bins of those that are kept, and the histogram of the minute. It
   does exactly what model/cadence.py and model/minute_intervals.py do in numpy; tests compare both.

   The argument of each function is an array of 64-bit words, in the order of the structs below. */

#include <stdint.h>
#include <string.h>

typedef uint64_t word;

#ifndef SOURCE
#error "build it by compilation.py, which says of which source it is"
#endif
const uint32_t slotwatch_source = SOURCE;

enum { KEPT = 512, SHARES = 3, EDGES = 18, NONE = 0xFF };
enum { MINUTE_BINS = 512, FINE_BITS = 5, MANTISSA_BITS = 23, FIRST = (9 + 127) << FINE_BITS, SHORT_US = 100000 };

static const double SHARE[SHARES] = {0.50, 0.95, 0.99};

struct ranks {
    /* the stream table */
    const uint32_t (*kept)[KEPT];
    const word *count;
    float *shares[SHARES], *longest;
    int64_t *median_ns;
    uint16_t (*bins)[EDGES + 1];
    word *known;
    /* the call */
    const uint32_t *edges_us; /* EDGES of them */
    const int64_t *rows;
    int64_t row_count;
    uint32_t (*ranked)[KEPT]; /* of each of the rows */
    int64_t *total_us;        /* answer, of each of the rows */
};

static int64_t count_of(const struct ranks *r, int64_t row) {
    return r->count[row] < KEPT ? (int64_t)r->count[row] : KEPT;
}

/* Copy what is kept of each row, to be sorted. Places that were never written come last. */
int64_t slotwatch_collect(const struct ranks *r) {
    for (int64_t i = 0; i < r->row_count; i++) {
        int64_t row = r->rows[i], count = count_of(r, row), total_us = 0;
        for (int64_t k = 0; k < count; k++) total_us += r->kept[row][k];
        memcpy(r->ranked[i], r->kept[row], count * sizeof(uint32_t));
        memset(r->ranked[i] + count, NONE, (KEPT - count) * sizeof(uint32_t));
        r->total_us[i] = total_us;
    }
    return r->row_count;
}

/* The place of a share of so many, by the nearest rank above. */
static int64_t place_of(double share, int64_t count) {
    double exact = share * (double)count;
    int64_t whole = (int64_t)exact;
    return whole + ((double)whole < exact) - 1;
}

static float ms_of(uint32_t us) {
    return (float)((double)us / 1000.0);
}

/* Sum up what was collected, once it is sorted. */
int64_t slotwatch_sum_up(const struct ranks *r) {
    for (int64_t i = 0; i < r->row_count; i++) {
        int64_t row = r->rows[i], count = count_of(r, row), below = 0;
        const uint32_t *ranked = r->ranked[i];
        for (int k = 0; k < SHARES; k++) r->shares[k][row] = ms_of(ranked[place_of(SHARE[k], count)]);
        r->longest[row] = ms_of(ranked[count - 1]);
        r->median_ns[row] = (int64_t)ranked[(count - 1) / 2] * 1000;
        for (int k = 0; k < EDGES; k++) {
            int64_t low = below, high = count;
            while (low < high) {
                int64_t middle = (low + high) / 2;
                if (ranked[middle] < r->edges_us[k]) low = middle + 1;
                else high = middle;
            }
            r->bins[row][k] = low - below, below = low;
        }
        r->bins[row][EDGES] = count - below;
        r->known[row] = r->count[row];
    }
    return r->row_count;
}

struct minute {
    /* the stream table */
    const uint32_t (*kept)[KEPT];
    const word *count;
    word *binned;
    int16_t (*bins)[MINUTE_BINS];
    int64_t *moving_us;
    uint32_t *longest_us;
    /* the call */
    const int64_t *rows;
    int64_t row_count;
};

static int64_t bin_of(uint32_t us) {
    float value = (float)us;
    uint32_t bits;
    memcpy(&bits, &value, sizeof bits);
    int64_t bin = (int64_t)(bits >> (MANTISSA_BITS - FINE_BITS)) - FIRST;
    return bin < 0 ? 0 : bin < MINUTE_BINS ? bin : MINUTE_BINS - 1;
}

/* Put new intervals of the rows into the histograms. Returns how many. */
int64_t slotwatch_take_new(const struct minute *m) {
    int64_t found = 0;
    for (int64_t i = 0; i < m->row_count; i++) {
        int64_t row = m->rows[i], count = m->count[row], fresh = count - (int64_t)m->binned[row];
        fresh = fresh < KEPT ? fresh : KEPT;
        for (int64_t k = count - fresh; k < count; k++) {
            uint32_t us = m->kept[row][k % KEPT];
            int16_t *bin = m->bins[row] + bin_of(us);
            *bin = (int16_t)(*bin + 1);
            m->moving_us[row] += us;
            if (us <= SHORT_US && us > m->longest_us[row]) m->longest_us[row] = us;
        }
        m->binned[row] = count, found += fresh;
    }
    return found;
}

/* Routine packets, which only continue their stream: found and taken one by one, in order of arrival. It does with each
   exactly what model/arrivals.py does. model/continuations.py says which packets it may take and which it must leave.
   Below are the functions of model/flashes.py (frames of watched slots) and of model/windows.py (counts).

   Offsets: ANSI E1.31-2018 table 4-1. All arguments are arrays of 64-bit words, in the order of the structs below. */

#include <stdint.h>
#include <string.h>

typedef uint64_t word;

#ifndef SOURCE
#error "build it by compilation.py, which says of which source it is"
#endif
const uint32_t slotwatch_source = SOURCE;

#ifndef WIDEST
#define WIDEST 64 /* bytes that instructions may take at once; tests build it with less */
#endif

enum { HEAD = 126, NUMBER = 111, CID = 22, NAME = 44, NAME_BYTES = 64, UNIVERSE = 113, SLOTS = 512, E131 = 1 };
enum { KEPT = 512, HISTORY = 16, STEP = 4, MOST_VOTES = 64, BUCKETS = 101, FRAMES = 0, SMALL_CHANGES = 1, STEPS = 2, EDGES = 16, AHEAD = 6 };

#define HOUR_US 3600000000

struct table {
    /* the stream table */
    uint8_t *live, *sequence, *votes, *packets, *lost_of_last_10, *measurable, *max_step;
    uint16_t *network, *expected_step, *slots, *equal_frames;
    int32_t *source;
    int64_t *last_packet_ns, *last_arrival_ns, *last_frame_ns, *prev_frame_ns, *last_change_ns, *timeout_ns;
    word *mask, *interval_count, *history_count, *history_hash;
    int64_t *history_ns;
    uint32_t *intervals_us;
    uint8_t (*levels)[SLOTS];
    /* others */
    int64_t *name_read_ns;  /* by source, as the next */
    uint8_t (*raw_name)[NAME_BYTES];
    int64_t *intervals;     /* of E1.31, by interval */
    uint32_t *edges_us;     /* EDGES of them */
    word *weights;          /* of 8 slots each */
    int16_t *ring;          /* (metrics, BUCKETS, capacity) */
    int64_t capacity;
    int32_t *universe;      /* by stream */
    int32_t *winner, *declared; /* by universe */
    /* what is remembered, by row of the stream table */
    uint8_t *ready;
    uint8_t (*heads)[HEAD + 2];
    uint8_t (*ways)[32];    /* sender, destination */
    uint16_t *length;
    int64_t *left;          /* the last call in which a packet of it was left alone */
    /* rows by key: open addressing over a power of two; -1 where there is none */
    word *keys;
    int32_t *rows;
    int64_t places;
};

/* Slots that are watched: as many on each row, and at most one row for a declared universe. */
struct tap {
    int64_t *start, *rows_of; /* by declared universe: its row, and how many it has */
    int64_t *slots, width;  /* of each row */
    int64_t *row, *t_ns;    /* answer: row, time and levels of each frame */
    uint8_t *levels;
    int64_t found;          /* answer: how many frames */
};

struct call {
    int64_t number;         /* of this call */
    uint8_t *data;
    int64_t stride;
    int64_t *t_ns;
    int32_t *length;
    uint16_t *network, *src_port;
    uint8_t *protocol, *flags, (*src)[16], (*dst)[16];
    int64_t first, end;     /* rows of the batch */
    int64_t bucket;         /* of the ring, that is being filled */
    uint32_t *gaps_us;      /* longest gaps of this second */
    int64_t name_again_ns, long_us;
    int64_t *at, *stream;   /* learn: what to remember; take: what was taken */
    int64_t *others;        /* what was left alone */
    int64_t (*gaps)[4];     /* of those after a gap over long_us: stream, gap, equal frames before it, is a change */
    struct tap *taps;
    int64_t tap_count, tap_room; /* frames that are shown to them at most */
    int64_t taken, left, sum_us, gaps_found, tapped, left_out;
};

static word word_at(const uint8_t *p) {
    word w;
    memcpy(&w, p, 8);
    return w;
}

static word key_of(const struct call *c, int64_t i) {
    const uint8_t *p = c->data + i * c->stride;
    word k = word_at(p + CID) * 0x9E3779B97F4A7C15u;
    k = (k ^ k >> 32 ^ word_at(p + CID + 8)) * 0xBF58476D1CE4E5B9u;
    k = (k ^ k >> 32 ^ word_at(c->src[i])) * 0x94D049BB133111EBu;
    k = (k ^ k >> 32 ^ word_at(c->src[i] + 8)) * 0xD6E8FEB86659FD93u;
    k = (k ^ k >> 32 ^ (word)(p[UNIVERSE] << 8 | p[UNIVERSE + 1]) ^ (word)c->network[i] << 16) * 0xA0761D6478BD642Fu;
    return k ^ k >> 32;
}

/* The place of a key, or the empty one where it belongs. */
static int64_t place_of(const struct table *t, word key) {
    int64_t place = key & (t->places - 1);
    while (t->rows[place] >= 0 && t->keys[place] != key) place = (place + 1) & (t->places - 1);
    return place;
}

/* Remember `taken` packets: row at[i] of the batch as the last one of stream[i]. Returns how many keys are new. */
int64_t slotwatch_learn(const struct table *t, struct call *c) {
    int64_t added = 0;
    for (int64_t i = 0; i < c->taken; i++) {
        int64_t at = c->at[i], s = c->stream[i];
        memcpy(t->heads[s], c->data + at * c->stride, HEAD);
        memcpy(t->ways[s], c->src[at], 16), memcpy(t->ways[s] + 16, c->dst[at], 16);
        t->length[s] = c->length[at];
        word key = key_of(c, at);
        int64_t place = place_of(t, key);
        added += t->rows[place] < 0;
        t->keys[place] = key, t->rows[place] = s;
        t->ready[s] = 1;
    }
    return added;
}

/* Whether packet i is the next one of stream s: equal to its last one except for number and levels. */
static int continues(const struct table *t, const struct call *c, int64_t i, int64_t s) {
    const uint8_t *p = c->data + i * c->stride, *head = t->heads[s];
    int64_t t_ns = c->t_ns[i], before_ns = t->last_packet_ns[s];
    if (!t->ready[s] || !t->live[s] || c->flags[i] || c->length[i] != t->length[s]) return 0;
    if ((uint8_t)(p[NUMBER] - t->sequence[s]) != 1 || t->expected_step[s] != 1) return 0;
    if (memcmp(p, head, NUMBER) || memcmp(p + NUMBER + 1, head + NUMBER + 1, HEAD - NUMBER - 1)) return 0;
    if (c->network[i] != t->network[s]) return 0;
    if (memcmp(c->src[i], t->ways[s], 16) || memcmp(c->dst[i], t->ways[s] + 16, 16)) return 0;
    if (t_ns < before_ns || t_ns - before_ns > t->timeout_ns[s]) return 0;
    /* If the name is due to be read again, it must be the same. */
    int64_t source = t->source[s];
    return t_ns - t->name_read_ns[source] < c->name_again_ns || !memcmp(p + NAME, t->raw_name[source], NAME_BYTES);
}

static void count(const struct table *t, const struct call *c, int metric, int64_t s) {
    t->ring[(metric * BUCKETS + c->bucket) * t->capacity + s]++;
}

static void take_interval(const struct table *t, struct call *c, int64_t s, uint32_t us) {
    int64_t place = 0;
    while (place < EDGES && t->edges_us[place] < us) place++;
    t->intervals[place]++;
    c->sum_us += us;
    t->intervals_us[s * KEPT + t->interval_count[s]++ % KEPT] = us;
    if (c->gaps_us[s] < us) c->gaps_us[s] = us;
}

/* The two ways over the levels of a frame, which cost most of it: how far any slot moved, and the sum for the hash. Returns
   0, and leaves `sum`, where none did. */
#define FOLLOW(name) uint8_t name(uint8_t *kept, const uint8_t *now, int64_t slots, const word *weights, word *sum)

static inline __attribute__((always_inline)) FOLLOW(follow) {
    uint8_t most = 0;
    for (int64_t k = 0; k < slots; k++) {
        uint8_t change = now[k] > kept[k] ? now[k] - kept[k] : kept[k] - now[k];
        most = change > most ? change : most;
    }
    if (!most) return 0;
    __asm__("" : "+r"(slots)); /* the C library copies faster than what a compiler writes for a length that it knows */
    memcpy(kept, now, slots);
    word all = 0; /* not behind a pointer: it would be stored each time, which no wide instruction can do */
    for (int64_t k = 0; k < SLOTS / 8; k++) all += word_at(kept + 8 * k) * weights[k];
    *sum = all;
    return most;
}

/* Nearly every frame has all slots: a length that is known makes better code. */
#define FOLLOWED (slots == SLOTS ? follow(kept, now, SLOTS, weights, sum) : follow(kept, now, slots, weights, sum))

static FOLLOW(follow_anywhere) { return FOLLOWED; }
#ifdef __x86_64__
__attribute__((target("avx2"))) static FOLLOW(follow_by_32) { return FOLLOWED; }
__attribute__((target("avx512f,avx512bw,avx512dq,avx512vl,prefer-vector-width=512"))) static FOLLOW(follow_by_64) { return FOLLOWED; }
#endif

typedef FOLLOW(following);

/* The same code with the widest instructions that this processor has: a package runs on all of them. */
static following *widest(void) {
#ifdef __x86_64__
    __builtin_cpu_init();
    int has_64 = __builtin_cpu_supports("avx512bw") && __builtin_cpu_supports("avx512dq") && __builtin_cpu_supports("avx512vl");
    if (WIDEST >= 64 && has_64) return follow_by_64;
    if (WIDEST >= 32 && __builtin_cpu_supports("avx2")) return follow_by_32;
#endif
    return follow_anywhere;
}

static void take_levels(const struct table *t, const struct call *c, int64_t s, const uint8_t *now, int64_t t_ns) {
    static following *follow_levels;
    if (!follow_levels) follow_levels = widest();
    word sum;
    uint8_t most = follow_levels(t->levels[s], now, t->slots[s], t->weights, &sum);
    t->max_step[s] = most;
    if (!most) {
        t->equal_frames[s] += t->equal_frames[s] < 0xFFFF;
        return;
    }
    int64_t place = s * HISTORY + t->history_count[s]++ % HISTORY;
    t->history_hash[place] = sum ^ sum >> 29;
    t->history_ns[place] = t->last_change_ns[s] = t_ns;
    t->equal_frames[s] = 0;
    count(t, c, most >= STEP ? STEPS : SMALL_CHANGES, s);
}

/* Give each tap a frame of a stream that wins its universe. A slot that was not sent is 0. */
static void show(const struct table *t, struct call *c, int64_t s, const uint8_t *levels, int64_t t_ns) {
    int64_t universe = t->universe[s], declared = t->declared[universe];
    if (declared < 0 || t->winner[universe] != s) return;
    if (c->tapped >= c->tap_room) {
        c->left_out++;
        return;
    }
    c->tapped++;
    for (struct tap *tap = c->taps; tap < c->taps + c->tap_count; tap++) {
        if (!tap->rows_of[declared]) continue;
        int64_t row = tap->start[declared], n = tap->found++, *slots = tap->slots + row * tap->width;
        tap->row[n] = row, tap->t_ns[n] = t_ns;
        for (int64_t k = 0; k < tap->width; k++)
            tap->levels[n * tap->width + k] = slots[k] < t->slots[s] ? levels[slots[k]] : 0;
    }
}

static void take(const struct table *t, struct call *c, int64_t i, int64_t s) {
    const uint8_t *p = c->data + i * c->stride;
    int64_t t_ns = c->t_ns[i], before_ns = t->last_packet_ns[s], us = (t_ns - before_ns + 500) / 1000;
    int64_t equal_before = t->equal_frames[s], source = t->source[s];
    if (t_ns - t->name_read_ns[source] >= c->name_again_ns) t->name_read_ns[source] = t_ns;
    us = us > HOUR_US ? HOUR_US : us;
    t->sequence[s] = p[NUMBER];
    if (~t->mask[s]) {
        t->mask[s] = t->mask[s] << 1 | 1;
        t->lost_of_last_10[s] = t->measurable[s] ? 10 - __builtin_popcountll(t->mask[s] & 0x3FF) : 0;
    }
    if (t->votes[s] < MOST_VOTES) {
        t->votes[s]++;
        t->packets[s] += t->packets[s] < MOST_VOTES;
    }
    t->last_packet_ns[s] = t->last_arrival_ns[s] = t->last_frame_ns[s] = t_ns;
    t->prev_frame_ns[s] = before_ns;
    take_interval(t, c, s, us);
    take_levels(t, c, s, p + HEAD, t_ns);
    if (c->tap_count) show(t, c, s, p + HEAD, t_ns);
    if (us > c->long_us) {
        int64_t *gap = c->gaps[c->gaps_found++];
        gap[0] = s, gap[1] = us, gap[2] = equal_before, gap[3] = !t->equal_frames[s];
    }
    count(t, c, FRAMES, s);
}

/* Load what the next packets need into the cache: nearly all of it was last used 23 ms ago. */
static void fetch(const struct table *t, int64_t s) {
    for (int k = 0; k < SLOTS; k += 64) __builtin_prefetch(t->levels[s] + k, 1);
    __builtin_prefetch(t->heads[s]), __builtin_prefetch(t->heads[s] + 64), __builtin_prefetch(t->ways[s]);
    __builtin_prefetch(t->intervals_us + s * KEPT + t->interval_count[s] % KEPT, 1);
    __builtin_prefetch(t->history_hash + s * HISTORY + t->history_count[s] % HISTORY, 1);
    __builtin_prefetch(t->history_ns + s * HISTORY + t->history_count[s] % HISTORY, 1);
}

/* Take those of rows [first, end) that continue their stream, and list the others. Once a packet of a stream is left,
   its later packets are left too, so that they stay in order. Returns how many were taken. */
int64_t slotwatch_take(const struct table *t, struct call *c) {
    int64_t *streams = c->others; /* first holds the stream of each row: a place is read before a row that is left is written there */
    for (int64_t i = c->first; i < c->end; i++)
        streams[i - c->first] = c->protocol[i] == E131 ? t->rows[place_of(t, key_of(c, i))] : -1;
    c->taken = c->left = c->sum_us = c->gaps_found = c->tapped = c->left_out = 0;
    for (int64_t i = c->first; i < c->end; i++) {
        int64_t ahead = i - c->first + AHEAD, s = streams[i - c->first];
        if (ahead < c->end - c->first && streams[ahead] >= 0) fetch(t, streams[ahead]);
        if (s >= 0 && t->left[s] != c->number && continues(t, c, i, s)) {
            take(t, c, i, s);
            c->at[c->taken] = i, c->stream[c->taken++] = s;
            continue;
        }
        if (s >= 0) t->left[s] = c->number;
        c->others[c->left++] = i;
    }
    return c->taken;
}

enum { CHANGE = 26, DARK_BELOW = 204, TOO_MANY = 8, TORN_STEP = 256, TORN_SLACK = 24, TORN_WANTED = 3, WINDOW_NS = 1000000000 };

/* Frames of watched slots, in order of arrival for each row. */
struct frames {
    const int64_t *row, *t_ns;
    const uint8_t *levels; /* `stride` of each frame */
    int64_t count, stride, width;
    int16_t *extreme;      /* of flashes: (rows, width) */
    uint8_t *rising, *seen;
    int64_t (*times_ns)[TOO_MANY];
    int32_t *before, *last; /* of pairs: (rows, width) */
    int64_t (*torn_ns)[TORN_WANTED];
};

/* Returns when a slot last had TOO_MANY changes within the window, among these frames; 0: never. */
int64_t slotwatch_flashes(const struct frames *f, void *unused) {
    int64_t fast_ns = 0;
    for (int64_t i = 0; i < f->count; i++) {
        int64_t row = f->row[i], is_new = !f->seen[row];
        f->seen[row] = 1;
        for (int64_t k = 0; k < f->width; k++) {
            int64_t at = row * f->width + k;
            int level = f->levels[i * f->stride + k], extreme = is_new ? level : f->extreme[at], moved = level - extreme;
            int rising = f->rising[at], darker = level < extreme ? level : extreme;
            int turned = (rising ? moved <= -CHANGE : moved >= CHANGE) && darker < DARK_BELOW;
            f->extreme[at] = turned || (moved > 0) == rising ? level : extreme;
            if (!turned) continue;
            f->rising[at] = !rising;
            int64_t *times_ns = f->times_ns[at], t_ns = f->t_ns[i];
            memmove(times_ns, times_ns + 1, (TOO_MANY - 1) * sizeof(int64_t));
            times_ns[TOO_MANY - 1] = t_ns;
            if (times_ns[0] > 0 && t_ns - times_ns[0] < WINDOW_NS && t_ns > fast_ns) fast_ns = t_ns;
        }
    }
    return fast_ns;
}

static int is_coarse_step(int change) {
    int off = (change < 0 ? -change : change) - TORN_STEP;
    return -TORN_SLACK <= off && off <= TORN_SLACK;
}

int64_t slotwatch_pairs(const struct frames *f, void *unused) {
    int64_t torn = 0;
    for (int64_t i = 0; i < f->count; i++) {
        for (int64_t k = 0; k < f->width; k++) {
            int64_t at = f->row[i] * f->width + k;
            const uint8_t *levels = f->levels + i * f->stride;
            int value = levels[k] << 8 | levels[f->width + k], before = f->before[at], last = f->last[at];
            int net = value - before, out = last - before, back = value - last;
            f->before[at] = last, f->last[at] = value;
            if (before < 0 || net < -2 * TORN_SLACK || net > 2 * TORN_SLACK || value >> 8 == before >> 8) continue;
            if (!is_coarse_step(out) || !is_coarse_step(back) || out > 0 == back > 0) continue;
            memmove(f->torn_ns[at], f->torn_ns[at] + 1, (TORN_WANTED - 1) * sizeof(int64_t));
            f->torn_ns[at][TORN_WANTED - 1] = f->t_ns[i];
            torn++;
        }
    }
    return torn;
}

enum { METRICS = 8, LENGTHS = 3, LONGEST = 2, SECONDS = 10 };

struct sum {
    uint32_t *column;
    int64_t length, metric; /* which length; what is counted */
};

struct total {
    word *column;
    int64_t metric;
};

struct windows {
    int16_t *ring, *folded; /* (METRICS, BUCKETS, capacity), (METRICS, capacity) */
    int64_t *unreported;
    uint32_t *gaps_us;      /* (SECONDS, capacity) */
    int64_t *max_gap_ns;
    int64_t capacity, top;
    int64_t place;          /* of the bucket that is being filled */
    int64_t leaving[LENGTHS]; /* places of those that leave the windows of each length, shortest first */
    struct sum *sums;
    int64_t sum_count;
    struct total *totals;
    int64_t total_count;
};

static int16_t *counts_of(const struct windows *w, int64_t metric, int64_t place) {
    return w->ring + (metric * BUCKETS + place) * w->capacity;
}

static int holds_any(const int16_t *counts, int64_t top) {
    int16_t any = 0;
    for (int64_t i = 0; i < top; i++) any |= counts[i];
    return any != 0;
}

/* Add to the totals what was counted since the last call. Returns how many of the counts changed. */
int64_t slotwatch_fold(const struct windows *w) {
    int64_t found = 0;
    for (int64_t metric = 0; metric < METRICS; metric++) {
        const int16_t *now = counts_of(w, metric, w->place);
        int16_t *folded = w->folded + metric * w->capacity;
        if (!memcmp(now, folded, w->top * sizeof *now)) continue;
        found++;
        for (struct total *t = w->totals; t < w->totals + w->total_count; t++) {
            if (t->metric != metric) continue;
            for (int64_t i = 0; i < w->top; i++) t->column[i] += (int64_t)(int16_t)(now[i] - folded[i]);
        }
        if (metric == FRAMES)
            for (int64_t i = 0; i < w->top; i++) w->unreported[i] += (int16_t)(now[i] - folded[i]);
        memcpy(folded, now, w->top * sizeof *now);
    }
    return found;
}

/* Finish a bucket: add its counts to the sums, and subtract those of the buckets that leave their windows. Returns how
   many of the counts were not zero. */
int64_t slotwatch_turn(const struct windows *w) {
    int64_t found = 0;
    for (int64_t metric = 0; metric < METRICS; metric++) {
        const int16_t *come = counts_of(w, metric, w->place);
        int comes = holds_any(come, w->top), leaves[LENGTHS];
        for (int k = 0; k < LENGTHS; k++) leaves[k] = holds_any(counts_of(w, metric, w->leaving[k]), w->top);
        for (struct sum *s = w->sums; s < w->sums + w->sum_count; s++) {
            if (s->metric != metric || !(comes || leaves[s->length])) continue;
            const int16_t *leave = counts_of(w, metric, w->leaving[s->length]);
            for (int64_t i = 0; i < w->top; i++) s->column[i] += (int32_t)(int16_t)(come[i] - leave[i]);
        }
        /* The bucket that leaves the longest windows is filled next. */
        size_t bytes = w->top * sizeof *come;
        if (leaves[LONGEST]) memset(counts_of(w, metric, w->leaving[LONGEST]), 0, bytes);
        if (comes) memset(w->folded + metric * w->capacity, 0, bytes);
        found += comes || leaves[LONGEST];
    }
    return found;
}

/* Work out the longest gap of each stream. */
int64_t slotwatch_fold_gaps(const struct windows *w) {
    for (int64_t i = 0; i < w->top; i++) {
        uint32_t most = 0;
        for (int64_t second = 0; second < SECONDS; second++) {
            uint32_t gap = w->gaps_us[second * w->capacity + i];
            most = gap > most ? gap : most;
        }
        w->max_gap_ns[i] = (int64_t)most * 1000;
    }
    return w->top;
}

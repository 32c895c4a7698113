/* Whether packets only repeat what is known. It reads the rows of the ring without copying them. It does exactly what
   wire/novelty.py does in numpy; a test compares both.

   The argument is an array of 64-bit words, in the order of the struct below. */

#include <stdint.h>
#include <string.h>

typedef uint64_t word;

#ifndef SOURCE
#error "build it by compilation.py, which says of which source it is"
#endif
const uint32_t slotwatch_source = SOURCE;

enum { WORDS = 16, WAY_WORDS = 4, ROOT_AT = 21, FRAME_AT = 43, ART_CODE_AT = 9, AHEAD = 4 };

/* What is known of one stream. */
struct known {
    word mark;
    int64_t t_ns;
    int64_t number; /* -1 where there is none */
};

struct look {
    /* of the packets */
    const uint8_t *data;
    int64_t stride;
    const int64_t *t_ns;
    const int32_t *length;
    const uint16_t *network, *src_port;
    const uint8_t *protocol, *flags, (*src)[16], (*dst)[16];
    int64_t first, end;
    /* of the protocols */
    const word (*masks)[WORDS], *weights; /* by kind; of a header's words, then of the addresses' */
    const int64_t *number_at;             /* by kind */
    int64_t kinds, e131, artnet, e131_sync, art_sync;
    int64_t root_extended, frame_sync, art_sync_high;
    /* what is known: open addressing over a power of two */
    struct known *known;
    int64_t places, count, most, forget_ns;
};

static word word_at(const uint8_t *p) {
    word w;
    memcpy(&w, p, 8);
    return w;
}

static int64_t kind_of(const struct look *l, int64_t i) {
    const uint8_t *p = l->data + i * l->stride;
    int64_t kind = l->protocol[i];
    if (kind == l->e131 && p[ROOT_AT] == l->root_extended && p[FRAME_AT] == l->frame_sync) return l->e131_sync;
    return kind == l->artnet && p[ART_CODE_AT] == l->art_sync_high ? l->art_sync : kind;
}

static word mark_of(const struct look *l, int64_t i, int64_t kind) {
    const uint8_t *p = l->data + i * l->stride;
    const word *mask = l->masks[kind], *weights = l->weights;
    word head = 0, way = 0;
    for (int k = 0; k < WORDS; k++) head += (word_at(p + 8 * k) & mask[k]) * weights[k];
    weights += WORDS;
    way += word_at(l->src[i]) * weights[0] + word_at(l->src[i] + 8) * weights[1];
    way += word_at(l->dst[i]) * weights[2] + word_at(l->dst[i] + 8) * weights[3];
    word rest = (word)l->length[i] << 24 | (word)l->network[i] << 8 | (uint8_t)(kind << 4) | l->flags[i];
    return head ^ (way + rest * l->weights[0]);
}

/* The place of a mark, or the empty one where it belongs. There are more places than are ever filled. */
static struct known *place_of(const struct look *l, word mark) {
    word place = (mark ^ mark >> 32) * 0x9E3779B97F4A7C15u >> 32;
    for (;; place++) {
        struct known *found = l->known + (place & (l->places - 1));
        if (found->number < 0 || found->mark == mark) return found;
    }
}

/* E1.31 counts to 255 and on to 0, Art-Net on to 1; 0 for all is Art-Net that does not count. */
static int follows(int64_t number, int64_t before) {
    return number == ((before + 1) & 0xFF) || (number == 1 && before == 255) || (number == 0 && before == 0);
}

/* Whether any of the rows [first, end) is more than routine. Remembers all. */
int64_t slotwatch_look(struct look *l) {
    int64_t changed = 0;
    for (int64_t i = l->first; i < l->end; i++) {
        if (i + AHEAD < l->end) {
            const uint8_t *next = l->data + (i + AHEAD) * l->stride;
            __builtin_prefetch(next), __builtin_prefetch(next + 64);
        }
        int64_t kind = kind_of(l, i);
        if (kind >= l->kinds) { /* nothing that intake writes */
            changed = 1;
            continue;
        }
        word mark = mark_of(l, i, kind);
        int64_t number = l->data[i * l->stride + l->number_at[kind]], t_ns = l->t_ns[i];
        struct known *known = place_of(l, mark);
        int is_new = known->number < 0;
        if (is_new || t_ns - known->t_ns > l->forget_ns || !follows(number, known->number)) {
            changed = 1;
            if (l->count >= l->most) {
                for (int64_t k = 0; k < l->places; k++) l->known[k].number = -1;
                l->count = 0, is_new = 1;
                known = place_of(l, mark);
            }
        }
        l->count += is_new;
        known->mark = mark, known->t_ns = t_ns, known->number = number;
    }
    return changed;
}

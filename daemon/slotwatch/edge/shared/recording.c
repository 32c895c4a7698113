/* The record that the flight recorder keeps of each packet, from the columns of a batch. It does exactly what
   edge/judging/recorder.py does in numpy; a test compares both.

   The argument is an array of 64-bit words, in the order of the struct below. */

#include <stdint.h>
#include <string.h>

#ifndef SOURCE
#error "build it by compilation.py, which says of which source it is"
#endif
const uint32_t slotwatch_source = SOURCE;

struct record {
    int64_t t_ns;
    uint32_t src, dst; /* the last four bytes of an address, as they lie in memory */
    uint16_t length, src_port;
    uint8_t network, protocol, is_v6, unused;
};

struct call {
    const uint8_t *data;
    int64_t stride;
    const int64_t *t_ns;
    const int32_t *length;
    const uint16_t *network, *src_port;
    const uint8_t *protocol, *flags, (*src)[16], (*dst)[16];
    int64_t count;
    struct record *records; /* a ring of `most` */
    int64_t most, place;    /* where the first of these goes */
};

static const uint8_t MAPPED[12] = {0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xFF, 0xFF};

/* Returns the place after the last record. */
int64_t slotwatch_record(const struct call *c) {
    int64_t place = c->place;
    for (int64_t i = 0; i < c->count; i++) {
        struct record *r = c->records + place;
        r->t_ns = c->t_ns[i];
        memcpy(&r->src, c->src[i] + 12, 4), memcpy(&r->dst, c->dst[i] + 12, 4);
        r->length = c->length[i], r->src_port = c->src_port[i];
        r->network = c->network[i] < 255 ? c->network[i] : 255;
        r->protocol = c->protocol[i];
        /* Bytes 4 to 7 are zero in every address that has these. */
        r->is_v6 = memcmp(c->src[i] + 8, MAPPED + 8, 4) || memcmp(c->src[i], MAPPED, 4);
        r->unused = 0;
        place = place + 1 < c->most ? place + 1 : 0;
    }
    return place;
}

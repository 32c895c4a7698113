/* Copies rows of the intake ring into a batch: each column, and of each packet as many bytes as the longest one has. It
   does exactly what edge/shared/ring_reader.py does in numpy; a test compares both. Intake may write meanwhile: the
   caller checks afterwards whether the copy was whole.

   The argument is an array of 64-bit words, in the order of the struct below. */

#include <stdint.h>
#include <string.h>

#ifndef SOURCE
#error "build it by compilation.py, which says of which source it is"
#endif
const uint32_t slotwatch_source = SOURCE;

enum { COLUMNS = 8, LENGTH = 1 };

/* Of t_ns, length, network, src_port, protocol, flags, src, dst. */
static const int64_t BYTES[COLUMNS] = {8, 4, 2, 2, 1, 1, 16, 16};

struct copy {
    /* the ring */
    const uint8_t *near, *far;
    int64_t near_bytes, far_bytes; /* of each row */
    const uint8_t *from[COLUMNS];
    int64_t start, count, width; /* rows, and bytes of each packet */
    /* the batch */
    uint8_t *data;
    int64_t stride;
    uint8_t *to[COLUMNS];
};

/* The greatest length of the rows. */
int64_t slotwatch_longest(const struct copy *c) {
    const int32_t *length = (const int32_t *)c->from[LENGTH] + c->start;
    int32_t longest = 0;
    for (int64_t i = 0; i < c->count; i++) longest = length[i] > longest ? length[i] : longest;
    return longest;
}

int64_t slotwatch_copy(const struct copy *c) {
    for (int k = 0; k < COLUMNS; k++) memcpy(c->to[k], c->from[k] + c->start * BYTES[k], c->count * BYTES[k]);
    int64_t near = c->width < c->near_bytes ? c->width : c->near_bytes, rest = c->width - near;
    const uint8_t *from = c->near + c->start * c->near_bytes;
    if (near == c->near_bytes && near == c->stride) {
        memcpy(c->data, from, c->count * near); /* three quarters of the time of rows one by one */
    } else {
        for (int64_t i = 0; i < c->count; i++) memcpy(c->data + i * c->stride, from + i * c->near_bytes, near);
    }
    from = c->far + c->start * c->far_bytes;
    for (int64_t i = 0; rest > 0 && i < c->count; i++)
        memcpy(c->data + i * c->stride + near, from + i * c->far_bytes, rest);
    return c->count;
}

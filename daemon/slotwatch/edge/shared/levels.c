/* Levels of many universes beside the slots that are looked for. It does exactly what model/winning.py does in numpy; a
   test compares both.

   The argument is an array of 64-bit words, in the order of the struct below. */

#include <stdint.h>

typedef uint64_t word;

#ifndef SOURCE
#error "build it by compilation.py, which says of which source it is"
#endif
const uint32_t slotwatch_source = SOURCE;

enum { WORDS = 64, AT_ONCE = 8 };

struct look {
    const word (*levels)[WORDS]; /* by stream, eight slots each */
    const word (*masks)[WORDS];  /* all bits of the slots that are looked for */
    const int64_t *stream, *mask; /* of each universe; no stream: -1 */
    int64_t count;
    uint8_t *found; /* answer: whether any of them is above zero */
};

/* Returns of how many universes one is. */
int64_t slotwatch_any_above(const struct look *l) {
    int64_t sum = 0;
    for (int64_t i = 0; i < l->count; i++) {
        word any = 0;
        if (l->stream[i] >= 0) {
            const word *levels = l->levels[l->stream[i]], *mask = l->masks[l->mask[i]];
            for (int k = 0; k < WORDS && !any; k += AT_ONCE)
                for (int j = k; j < k + AT_ONCE; j++) any |= levels[j] & mask[j];
        }
        sum += l->found[i] = any != 0;
    }
    return sum;
}

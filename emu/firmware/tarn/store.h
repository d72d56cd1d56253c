/* Two images of everything that outlives a loss of power: whatever is interrupted, one of them is whole. */
#ifndef STORE_H
#define STORE_H

#include <stdint.h>

/* A place for two images, each of `room` bytes. */
struct store {
    uint16_t place;
    uint16_t room;
};

/* Where the entries of the newest whole image begin, and how many bytes they are: 0 when there is none. */
uint16_t store_find(const struct store *store, uint16_t *place);

/* Four bytes, the low one first. */
uint32_t store_read(uint16_t place);

/* Write the other image: begin it, put four bytes for four bytes, end it. Only bytes that differ are written: a byte
 * takes milliseconds and wears out. */
void store_begin(const struct store *store, uint16_t bytes);
void store_put(uint32_t four);
void store_end(void);

#endif

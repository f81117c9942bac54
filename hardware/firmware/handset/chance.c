#include "chance.h"

void chance_start(struct chance *chance, uint16_t seed)
{
    chance->word = seed ? seed : 1;
}

/* Xorshift of 16 bits (7, 9, 8: full period). */
uint16_t chance_below(struct chance *chance, uint16_t range)
{
    uint16_t word = chance->word;
    word ^= (uint16_t)(word << 7);
    word ^= (uint16_t)(word >> 9);
    word ^= (uint16_t)(word << 8);
    chance->word = word;
    return word % range;
}

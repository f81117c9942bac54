#include "wrist_words.h"

#include <stddef.h>

enum {
    ADMINISTRATIVE_S = 25,
    ROUTINE_S = 40,

    FORTY_ON_READY = FOUL_DEFENSE | INJURY_DEFENSE,
    /* A play's end in so many words; the other score is none, since it may be two. */
    PLAY_ENDS = TOUCHDOWN | TRY_OVER | BEFORE_FREE_KICK | KICK_NEW_SERIES,
    PROMISE_FREE_KICK = TRY_OVER | OTHER_SCORE | BEFORE_FREE_KICK,
};

/* Words that give way, and to which. */
static const struct {
    uint16_t less, more;
} ways[] = {
    {FOUL, FOUL_DEFENSE},
    {INJURY_ANY, INJURY_DEFENSE},
    {OTHER_SCORE, TOUCHDOWN},
    {OFFICIAL_TIMEOUT, FOUL | FORTY_ON_READY | CHARGED_TIMEOUT | CHARGED_AFTER_INJURY | INJURY_ANY},
};
enum { WAYS = sizeof ways / sizeof *ways };

uint16_t words_more_exact(uint16_t word)
{
    for (uint8_t way = 0; way < WAYS; way++)
        if (ways[way].less == word)
            return ways[way].more;
    return 0;
}

uint16_t words_less_exact(uint16_t word)
{
    uint16_t less = 0;
    for (uint8_t way = 0; way < WAYS; way++)
        if (ways[way].more & word)
            less |= ways[way].less;
    return less;
}

uint16_t words_in_force(uint16_t told)
{
    const uint16_t both = CHARGED_TIMEOUT | INJURY_DEFENSE;
    uint16_t left = told;
    for (uint8_t way = 0; way < WAYS; way++)
        if (told & ways[way].more)
            left &= (uint16_t)~ways[way].less;
    if ((left & both) == both)
        left = (uint16_t)((left & ~both) | CHARGED_AFTER_INJURY);
    return left;
}

uint16_t words_ruling(uint16_t told)
{
    uint16_t left = words_in_force(told);
    uint16_t first = left & (uint16_t)~(FORTY_ON_READY | ROUTINE_END);
    if (first == 0)
        first = left & FORTY_ON_READY;
    if (first == 0)
        return left; /* the routine end, or nothing */
    return first & (uint16_t)(~first + 1);
}

uint8_t words_seconds(uint16_t ruling)
{
    return ruling & (FORTY_ON_READY | ROUTINE_END) ? ROUTINE_S : ADMINISTRATIVE_S;
}

/* What comes next: controller/rules/promises.py */

static uint8_t promised_by(const struct wrist_coming *coming, uint16_t told)
{
    uint16_t left = words_in_force(told);
    if (left & TOUCHDOWN)
        return TRY;
    bool overtime = coming->periods_over == PERIODS;
    return (left & PROMISE_FREE_KICK) && !overtime ? FREE_KICK : NO_PLAY;
}

uint16_t coming_weighed(const struct wrist_coming *coming, uint16_t told)
{
    if (coming->now != NO_PLAY) {
        if (coming->now == TRY && (told & TOUCHDOWN)) /* told late, in overtime: the try's end */
            told = (told & (uint16_t)~TOUCHDOWN) | TRY_OVER;
        if (told & PLAY_ENDS)
            return told;
        return told | (coming->now == TRY ? TRY_OVER : KICK_NEW_SERIES);
    }
    if (coming->carried != NO_PLAY && promised_by(coming, told) == NO_PLAY)
        return told | (coming->carried == TRY ? TOUCHDOWN : BEFORE_FREE_KICK);
    return told;
}

bool coming_is_over(const struct wrist_coming *coming, uint16_t told)
{
    uint16_t weighed = coming_weighed(coming, told);
    if (coming->now == NO_PLAY || weighed == told)
        return false;
    return (told & ROUTINE_END)
        || words_seconds(words_ruling(told)) != words_seconds(words_ruling(weighed));
}

void coming_told(struct wrist_coming *coming, uint16_t told)
{
    uint8_t promised = promised_by(coming, coming_weighed(coming, told));
    coming->next = promised != NO_PLAY ? promised : coming->carried;
}

void coming_promise(struct wrist_coming *coming, uint8_t play)
{
    coming->next = coming->carried = play;
}

void coming_ready(struct wrist_coming *coming, uint16_t told)
{
    if (coming->now != NO_PLAY && told == 0)
        coming_told(coming, 0);
    coming->carried = coming->next;
    coming->now = NO_PLAY;
    coming->put_up = false;
}

void coming_snap(struct wrist_coming *coming, uint16_t told)
{
    coming_ready(coming, told);
    coming->now = coming->next;
    coming_promise(coming, NO_PLAY);
    coming->between_periods = false;
}

void coming_period_over(struct wrist_coming *coming)
{
    if (coming->between_periods)
        return;
    coming->between_periods = true;
    if (coming->periods_over < PERIODS)
        coming->periods_over++;
    if (coming->periods_over == PERIODS && coming->next == FREE_KICK)
        coming_promise(coming, NO_PLAY);
}

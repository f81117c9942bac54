/* What is told of a down with the keys, which number that calls for, and which play comes next: the
 * high school rules since 2022 (controller/rules/codes/nfhs.toml), as far as keys can tell. Pure. */

#ifndef WRIST_WORDS_H
#define WRIST_WORDS_H

#include <stdbool.h>
#include <stdint.h>

/* Endings, as bits. Their order is that of controller/rules/endings.py by the alphabet, which
 * decides between rulings of one number there. */
enum word {
    BEFORE_FREE_KICK = 1 << 0,
    CHARGED_TIMEOUT = 1 << 1,
    CHARGED_AFTER_INJURY = 1 << 2,
    OTHER_SCORE = 1 << 3, /* a field goal or a safety */
    FOUL = 1 << 4,        /* team not told */
    FOUL_DEFENSE = 1 << 5,
    INJURY_DEFENSE = 1 << 6,
    INJURY_ANY = 1 << 7, /* team not told */
    KICK_NEW_SERIES = 1 << 8,
    OFFICIAL_TIMEOUT = 1 << 9,
    ROUTINE_END = 1 << 10,
    TOUCHDOWN = 1 << 11,
    TRY_OVER = 1 << 12,
};

enum play { NO_PLAY, TRY, FREE_KICK };

enum {
    HALF = 2,    /* periods */
    PERIODS = 4, /* of a game: overtime, which has no free kick, follows */
};

/* What is known of the plays to come; as Coming in controller/rules/phases.py. */
struct wrist_coming {
    uint8_t next;         /* promised and not snapped yet */
    uint8_t carried;      /* promised before the present down said anything */
    uint8_t now;          /* the promised play in progress, or just over */
    uint8_t periods_over; /* at most PERIODS */
    bool put_up : 1;      /* put_up_at holds: the end of a promised play put up its number */
    bool begun : 1;       /* something was ordered */
    bool opening : 1;     /* that was the number of an opening kickoff, and no play came since */
    bool quiet : 1;       /* a count was ended once */
    bool between_periods : 1;
    uint32_t put_up_at;
};

/* Which words told are left once those that say less have given way. */
uint16_t words_in_force(uint16_t told);

/* Which words say more than `word` and are of its kind; which say less. */
uint16_t words_more_exact(uint16_t word);
uint16_t words_less_exact(uint16_t word);

/* The word whose ruling is in force, 0 if none is; its number in seconds. */
uint16_t words_ruling(uint16_t told);
uint8_t words_seconds(uint16_t ruling);

/* What was told, with what a promise adds. */
uint16_t coming_weighed(const struct wrist_coming *coming, uint16_t told);

/* Whether the promised play is taken to be over though that was not told. */
bool coming_is_over(const struct wrist_coming *coming, uint16_t told);

/* `told` is all that was told of the down. */
void coming_told(struct wrist_coming *coming, uint16_t told);

/* The ready, the snap: a promised play in progress of which nothing was told is over. */
void coming_ready(struct wrist_coming *coming, uint16_t told);
void coming_snap(struct wrist_coming *coming, uint16_t told);
void coming_period_over(struct wrist_coming *coming);

/* Promise `play`. */
void coming_promise(struct wrist_coming *coming, uint8_t play);

#endif

/* What must hold under fuzz: else the place and the condition, and an end that the fuzzer sees. */

#ifndef PC_REQUIRE_H
#define PC_REQUIRE_H

#include <stdio.h>
#include <stdlib.h>

#define REQUIRE(what)                                                                             \
    do {                                                                                          \
        if (!(what)) {                                                                            \
            fprintf(stderr, "%s:%d: not so: %s\n", __FILE__, __LINE__, #what);                    \
            abort();                                                                              \
        }                                                                                         \
    } while (0)

#endif

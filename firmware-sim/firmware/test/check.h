/* A few assertions. A failed one prints where and what, and the test ends there. */
#ifndef CHECK_H
#define CHECK_H

#include <setjmp.h>
#include <stdint.h>
#include <stdio.h>

extern jmp_buf check_failed;

#define CHECK(condition)                                                       \
    do {                                                                       \
        if (!(condition)) {                                                    \
            printf("  %s:%d: not true: %s\n", __FILE__, __LINE__, #condition); \
            longjmp(check_failed, 1);                                          \
        }                                                                      \
    } while (0)

/* Whole numbers of any width, compared as 64-bit bit patterns. */
#define CHECK_EQ(got, want)                                                                   \
    do {                                                                                      \
        int64_t got_ = (int64_t)(got), want_ = (int64_t)(want);                               \
        if (got_ != want_) {                                                                  \
            printf("  %s:%d: %s is %lld, not %lld (%s)\n", __FILE__, __LINE__, #got,          \
                   (long long)got_, (long long)want_, #want);                                 \
            longjmp(check_failed, 1);                                                         \
        }                                                                                     \
    } while (0)

typedef struct {
    const char *name;
    void (*run)(void);
} test_case;

#define TEST(function) {#function, function}
#define TESTS_END {NULL, NULL}

#endif

/* Runs every test from a fresh reset; prints what failed, the size of the state, and the count. */
#include "pl_kept.h"
#include "rig.h"

jmp_buf check_failed;
const char *golden_path;

extern const test_case link_tests[], golden_tests[], order_tests[], silence_tests[], input_tests[],
    output_tests[], command_tests[], log_tests[], sample_tests[], kept_tests[], chaos_tests[],
    limits_tests[];

/* A function of its own, so that the jump back harms no local variable. */
static bool passes(const test_case *test)
{
    if (setjmp(check_failed) != 0)
        return false;
    test->run();
    return true;
}

static int run(const char *group, const test_case *tests, int *count)
{
    int failures = 0;
    for (const test_case *test = tests; test->name != NULL; test++) {
        (*count)++;
        if (!passes(test)) {
            printf("FAILED %s.%s\n", group, test->name);
            failures++;
        }
    }
    return failures;
}

int main(int argc, char **argv)
{
    if (argc != 2) {
        fprintf(stderr, "usage: %s golden.txt\n", argv[0]);
        return 2;
    }
    golden_path = argv[1];
    const struct {
        const char *name;
        const test_case *tests;
    } groups[] = {
        {"link", link_tests},       {"golden", golden_tests},   {"order", order_tests},
        {"silence", silence_tests}, {"input", input_tests},     {"output", output_tests},
        {"command", command_tests}, {"log", log_tests},         {"sample", sample_tests},
        {"kept", kept_tests},       {"chaos", chaos_tests},   {"limits", limits_tests},
    };
    int failures = 0, count = 0;
    for (size_t i = 0; i < sizeof groups / sizeof groups[0]; i++)
        failures += run(groups[i].name, groups[i].tests, &count);
    printf("state of the core %zu bytes, kept slots 2 x %zu bytes\n", sizeof(pl_core),
           sizeof(pl_kept));
    printf("%d tests, %d failed\n", count, failures);
    return failures != 0;
}

/* A quarter of the 2 KiB of a small controller stays for the kept slots, the rest for the stack. */
_Static_assert(sizeof(pl_core) <= 1024, "the state of the core has outgrown its kibibyte");
_Static_assert(2 * sizeof(pl_kept) <= 512, "the kept slots have outgrown their half kibibyte");

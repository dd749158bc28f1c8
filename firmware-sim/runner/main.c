/* SPDX-License-Identifier: GPL-3.0-or-later
 * Runs the firmware's flash image on a simulated ATmega328P. See lockstep.h and paced.h. */
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include "chip.h"
#include "lockstep.h"
#include "paced.h"

static chip the_chip;

static int usage(const char *name)
{
    fprintf(stderr,
            "usage: %s IMAGE --socket PATH   lock-step with the first that connects there\n"
            "       %s IMAGE --fd NUMBER     lock-step over a socket that is open already\n"
            "       %s IMAGE --pty           real time, serial line on a pseudo-terminal\n",
            name, name, name);
    return 2;
}

static int listen_at(const char *path)
{
    struct sockaddr_un address = {.sun_family = AF_UNIX};
    if (strlen(path) >= sizeof address.sun_path) {
        fprintf(stderr, "the socket's path is longer than %zu bytes: %s\n",
                sizeof address.sun_path - 1, path);
        return -1;
    }
    strcpy(address.sun_path, path);
    int listening = socket(AF_UNIX, SOCK_STREAM, 0);
    if (listening < 0 || bind(listening, (struct sockaddr *)&address, sizeof address) != 0 ||
        listen(listening, 1) != 0) {
        fprintf(stderr, "cannot listen at %s: %s\n", path, strerror(errno));
        return -1;
    }
    int peer = accept(listening, NULL, NULL);
    if (peer < 0)
        fprintf(stderr, "nobody connected to %s: %s\n", path, strerror(errno));
    close(listening);
    unlink(path);
    return peer;
}

int main(int argc, char **argv)
{
    if (argc < 3)
        return usage(argv[0]);
    if (!chip_load(&the_chip, argv[1])) {
        fprintf(stderr, "%s\n", the_chip.error);
        return 1;
    }
    if (strcmp(argv[2], "--pty") == 0 && argc == 3)
        return paced_serve(&the_chip);
    if (argc != 4)
        return usage(argv[0]);
    int fd = -1;
    if (strcmp(argv[2], "--socket") == 0)
        fd = listen_at(argv[3]);
    else if (strcmp(argv[2], "--fd") == 0)
        fd = atoi(argv[3]);
    else
        return usage(argv[0]);
    return fd < 0 ? 1 : lockstep_serve(&the_chip, fd);
}

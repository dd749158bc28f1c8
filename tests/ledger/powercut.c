/* Loaded before the C library: what a process writes below POWERCUT_DIR goes into POWERCUT_LOG as
 * well, in order, each as a line "call path other offset size" with its bytes behind it. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <limits.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/uio.h>
#include <unistd.h>

static int log_fd = -1;
static const char *dir;

#define REAL(name, ...) ((int (*)(__VA_ARGS__))dlsym(RTLD_NEXT, #name))

static int watched(const char *path)
{
    if (!dir)
        dir = getenv("POWERCUT_DIR");
    return dir && strncmp(path, dir, strlen(dir)) == 0;
}

static void note(const char *call, const char *path, const char *other, long long offset,
                 const void *data, size_t size)
{
    char head[2 * PATH_MAX + 80];
    if (!watched(path))
        return;
    if (log_fd < 0) {
        int (*real)(const char *, int, ...) = (int (*)(const char *, int, ...))dlsym(RTLD_NEXT, "open");
        log_fd = real(getenv("POWERCUT_LOG"), O_WRONLY | O_CREAT | O_APPEND | O_CLOEXEC, 0600);
    }
    int n = snprintf(head, sizeof head, "%s %s %s %lld %zu\n", call, path, other, offset, size);
    struct iovec parts[2] = {{head, (size_t)n}, {(void *)(size_t)data, size}};
    if (writev(log_fd, parts, size ? 2 : 1) < n)
        abort();
}

static const char *path_of(int fd, char *path)
{
    char link[40];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, PATH_MAX - 1);
    path[n < 0 ? 0 : n] = 0;
    return path;
}

static int opened(const char *name, const char *path, int flags, mode_t mode)
{
    int (*real)(const char *, int, ...) = (int (*)(const char *, int, ...))dlsym(RTLD_NEXT, name);
    int is_new = (flags & O_CREAT) && access(path, F_OK) != 0;
    int fd = real(path, flags, mode);
    if (fd >= 0 && is_new)
        note("create", path, "-", 0, "", 0);
    if (fd >= 0 && !is_new && (flags & O_TRUNC))
        note("truncate", path, "-", 0, "", 0);
    return fd;
}

static mode_t mode_in(int flags, va_list *more)
{
    return (flags & O_CREAT) ? (mode_t)va_arg(*more, int) : 0;
}

#define OPEN(name)                                                                                 \
    int name(const char *path, int flags, ...)                                                     \
    {                                                                                              \
        va_list more;                                                                              \
        va_start(more, flags);                                                                     \
        mode_t mode = mode_in(flags, &more);                                                       \
        va_end(more);                                                                              \
        return opened(#name, path, flags, mode);                                                   \
    }
OPEN(open)
OPEN(open64)

#define PWRITE(name)                                                                               \
    ssize_t name(int fd, const void *data, size_t size, off_t offset)                              \
    {                                                                                              \
        char path[PATH_MAX];                                                                       \
        ssize_t n = ((ssize_t(*)(int, const void *, size_t, off_t))dlsym(RTLD_NEXT, #name))(       \
            fd, data, size, offset);                                                               \
        if (n > 0)                                                                                 \
            note("write", path_of(fd, path), "-", offset, data, (size_t)n);                        \
        return n;                                                                                  \
    }
PWRITE(pwrite)
PWRITE(pwrite64)

ssize_t write(int fd, const void *data, size_t size)
{
    char path[PATH_MAX];
    long long at = lseek(fd, 0, SEEK_CUR);
    ssize_t n = ((ssize_t(*)(int, const void *, size_t))dlsym(RTLD_NEXT, "write"))(fd, data, size);
    if (n > 0 && at >= 0)
        note("write", path_of(fd, path), "-", at, data, (size_t)n);
    return n;
}

#define TRUNCATE(name)                                                                             \
    int name(int fd, off_t size)                                                                   \
    {                                                                                              \
        char path[PATH_MAX];                                                                       \
        int result = REAL(name, int, off_t)(fd, size);                                             \
        if (result == 0)                                                                           \
            note("truncate", path_of(fd, path), "-", size, "", 0);                                 \
        return result;                                                                             \
    }
TRUNCATE(ftruncate)
TRUNCATE(ftruncate64)

#define SYNC(name)                                                                                 \
    int name(int fd)                                                                               \
    {                                                                                              \
        char path[PATH_MAX];                                                                       \
        int result = REAL(name, int)(fd);                                                          \
        if (result == 0)                                                                           \
            note("sync", path_of(fd, path), "-", 0, "", 0);                                        \
        return result;                                                                             \
    }
SYNC(fsync)
SYNC(fdatasync)

int unlink(const char *path)
{
    int result = REAL(unlink, const char *)(path);
    if (result == 0)
        note("unlink", path, "-", 0, "", 0);
    return result;
}

int rename(const char *from, const char *to)
{
    int result = REAL(rename, const char *, const char *)(from, to);
    if (result == 0)
        note("rename", from, to, 0, "", 0);
    return result;
}

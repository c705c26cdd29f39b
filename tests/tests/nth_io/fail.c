/* Preloaded into a program, lets one of its calls on files fail.
 *
 * In, by environment: FAIL_UNDER (a call counts when its file's path contains this and not FAIL_NOT), FAIL_AT (which of
 * them fails, from 0), FAIL_FROM=1 (and all after it), FAIL_ERRNO; FAIL_NAMED (all calls of this name fail). Out: that call
 * fails, as the system's own would; at the program's end the calls' names are written to the file FAIL_CALLS, a line each.
 * Reading is left alone: what can be read is tested elsewhere. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

static atomic_long calls;
static const char *names[1 << 16];

static long number(const char *name, long otherwise) {
    const char *text = getenv(name);
    return text ? atol(text) : otherwise;
}

static int is_ours(const char *path) {
    const char *under = getenv("FAIL_UNDER"), *not = getenv("FAIL_NOT");
    return under && path && strstr(path, under) && !(not && strstr(path, not));
}

static int is_ours_fd(int fd) {
    char link[64], path[PATH_MAX];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(link, path, sizeof path - 1);
    if (length < 0) return 0;
    path[length] = 0;
    return is_ours(path);
}

/* Counts a call; says whether it is to fail, with errno set. */
static int fails(const char *name, int ours) {
    if (!ours) return 0;
    const char *named = getenv("FAIL_NAMED");
    long call = atomic_fetch_add(&calls, 1), at = number("FAIL_AT", -1);
    if (call < (long)(sizeof names / sizeof *names)) names[call] = name;
    int by_name = named && !strcmp(named, name);
    int by_number = at >= 0 && (call == at || (call > at && number("FAIL_FROM", 0)));
    if (!by_name && !by_number) return 0;
    errno = (int)number("FAIL_ERRNO", EIO);
    return 1;
}

__attribute__((destructor)) static void told(void) {
    const char *path = getenv("FAIL_CALLS");
    FILE *file = path ? fopen(path, "w") : NULL;
    if (!file) return;
    for (size_t call = 0; call < sizeof names / sizeof *names && names[call]; call++)
        fprintf(file, "%s\n", names[call]);
    fclose(file);
}

#define NEXT(result, name, ...) \
    static result (*next)(__VA_ARGS__); \
    if (!next) next = (result (*)(__VA_ARGS__))dlsym(RTLD_NEXT, #name)

#define ON_FD(result, name, parameters, arguments, ...) \
    result name parameters { \
        NEXT(result, name, __VA_ARGS__); \
        return fails(#name, is_ours_fd(fd)) ? -1 : next arguments; \
    }

ON_FD(ssize_t, write, (int fd, const void *b, size_t n), (fd, b, n), int, const void *, size_t)
ON_FD(ssize_t, pwrite, (int fd, const void *b, size_t n, off_t o), (fd, b, n, o), int, const void *, size_t, off_t)
ON_FD(ssize_t, pwrite64, (int fd, const void *b, size_t n, off64_t o), (fd, b, n, o), int, const void *, size_t, off64_t)
ON_FD(ssize_t, writev, (int fd, const struct iovec *v, int n), (fd, v, n), int, const struct iovec *, int)
ON_FD(int, fsync, (int fd), (fd), int)
ON_FD(int, fdatasync, (int fd), (fd), int)
ON_FD(int, ftruncate, (int fd, off_t n), (fd, n), int, off_t)
ON_FD(int, ftruncate64, (int fd, off64_t n), (fd, n), int, off64_t)

int rename(const char *from, const char *to) {
    NEXT(int, rename, const char *, const char *);
    return fails("rename", is_ours(from)) ? -1 : next(from, to);
}

int renameat2(int at, const char *from, int into, const char *to, unsigned int flags) {
    NEXT(int, renameat2, int, const char *, int, const char *, unsigned int);
    return fails("renameat2", is_ours(from)) ? -1 : next(at, from, into, to, flags);
}

int linkat(int at, const char *from, int into, const char *to, int flags) {
    NEXT(int, linkat, int, const char *, int, const char *, int);
    return fails("linkat", is_ours(from)) ? -1 : next(at, from, into, to, flags);
}

/* One that fails has closed all the same. */
int close(int fd) {
    NEXT(int, close, int);
    int flags = fcntl(fd, F_GETFL);
    int ours = flags >= 0 && (flags & O_ACCMODE) != O_RDONLY && is_ours_fd(fd), done = next(fd);
    return fails("close", ours) ? -1 : done;
}

int unlink(const char *path) {
    NEXT(int, unlink, const char *);
    return fails("unlink", is_ours(path)) ? -1 : next(path);
}

/* Only opening to write counts. */
#define OPEN(name) \
    int name(const char *path, int flags, ...) { \
        va_list rest; \
        va_start(rest, flags); \
        mode_t mode = flags & O_CREAT ? va_arg(rest, mode_t) : 0; \
        va_end(rest); \
        NEXT(int, name, const char *, int, ...); \
        return fails(#name, (flags & O_ACCMODE) != O_RDONLY && is_ours(path)) ? -1 : next(path, flags, mode); \
    }

OPEN(open)
OPEN(open64)

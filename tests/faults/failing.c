/* Makes the n-th write, fsync or rename below a folder fail; loaded before the C library (LD_PRELOAD).

   FAIL_BELOW  the folder
   FAIL_CALL   write, sync or rename
   FAIL_AT     which one fails, from 1; 0: none, they are only counted
   FAIL_WITH   the error number
   FAIL_ON     1: every later one fails as well, as on a full disk
   FAIL_COUNT  a file (elsewhere) into which the number of calls is written at the end */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/uio.h>
#include <unistd.h>

static atomic_long seen;

static int below(const char *path)
{
    const char *folder = getenv("FAIL_BELOW");
    return folder && path && strncmp(path, folder, strlen(folder)) == 0;
}

static int fd_below(int fd)
{
    char name[64], path[4096];
    snprintf(name, sizeof name, "/proc/self/fd/%d", fd);
    ssize_t length = readlink(name, path, sizeof path - 1);
    if (length < 0)
        return 0;
    path[length] = 0;
    return below(path);
}

static int fails(const char *call)
{
    const char *wanted = getenv("FAIL_CALL");
    if (!wanted || strcmp(wanted, call))
        return 0;
    long number = atomic_fetch_add(&seen, 1) + 1, at = atol(getenv("FAIL_AT"));
    if (!at || number < at || (number > at && !getenv("FAIL_ON")))
        return 0;
    errno = atoi(getenv("FAIL_WITH"));
    return 1;
}

__attribute__((destructor)) static void told(void)
{
    const char *name = getenv("FAIL_COUNT");
    FILE *out = name ? fopen(name, "w") : NULL;
    if (out) {
        fprintf(out, "%ld\n", (long)seen);
        fclose(out);
    }
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
#define ON_FD(type, name, call, parameters, arguments)                                                       \
    type name parameters                                                                                     \
    {                                                                                                        \
        int before = errno;                                                                                  \
        if (fd_below(fd) && fails(call))                                                                     \
            return -1;                                                                                       \
        errno = before;                                                                                      \
        return REAL(name) arguments;                                                                         \
    }

ON_FD(ssize_t, write, "write", (int fd, const void *data, size_t size), (fd, data, size))
ON_FD(ssize_t, pwrite, "write", (int fd, const void *data, size_t size, off_t at), (fd, data, size, at))
ON_FD(ssize_t, pwrite64, "write", (int fd, const void *data, size_t size, off64_t at), (fd, data, size, at))
ON_FD(ssize_t, writev, "write", (int fd, const struct iovec *parts, int count), (fd, parts, count))
ON_FD(int, fsync, "sync", (int fd), (fd))
ON_FD(int, fdatasync, "sync", (int fd), (fd))

#define ON_PATHS(name, parameters, arguments)                                                                \
    int name parameters                                                                                      \
    {                                                                                                        \
        if (below(to) && fails("rename"))                                                                    \
            return -1;                                                                                       \
        return REAL(name) arguments;                                                                         \
    }

ON_PATHS(rename, (const char *from, const char *to), (from, to))
ON_PATHS(link, (const char *from, const char *to), (from, to))
ON_PATHS(renameat, (int a, const char *from, int b, const char *to), (a, from, b, to))
ON_PATHS(linkat, (int a, const char *from, int b, const char *to, int flags), (a, from, b, to, flags))

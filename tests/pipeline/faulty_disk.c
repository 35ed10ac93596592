/* A disk that fails on purpose: loaded before the C library, it counts the calls that a
 * process makes on files below one folder, and lets one of them fail, or lets the room run
 * out. Only what goes through the C library is seen, which is all that Python, DuckDB and
 * Polars do to a file. Outside the folder, and until it is armed, nothing is touched.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdarg.h>
#include <stdatomic.h>
#include <stdio.h>
#include <string.h>
#include <sys/sendfile.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

#define MOST_FILES 65536

static char folder[PATH_MAX];
static size_t folder_length;
static atomic_char is_watched[MOST_FILES];
static atomic_long calls, room;
static long fail_at;
static int fail_error, has_room_limit, stays_broken, trace_fd = -1;

/* Watch `path`; the `at`-th call (0: none) fails with `error`, and with `stays` set all calls
 * after it; files may grow by `bytes` together (negative: without limit). */
void faulty_disk_arm(const char *path, long at, int error, int stays, long bytes, int trace) {
    strncpy(folder, path, sizeof folder - 1);
    folder_length = strlen(folder);
    fail_at = at;
    fail_error = error;
    stays_broken = stays;
    has_room_limit = bytes >= 0;
    atomic_store(&room, bytes);
    atomic_store(&calls, 0);
    trace_fd = trace;
}

long faulty_disk_calls(void) { return atomic_load(&calls); }

static int is_below(const char *path) {
    return folder_length && path && strncmp(path, folder, folder_length) == 0;
}

static int is_ours(int fd) { return fd >= 0 && fd < MOST_FILES && atomic_load(&is_watched[fd]); }

static void note(int fd, const char *path) {
    if (fd >= 0 && fd < MOST_FILES) atomic_store(&is_watched[fd], is_below(path));
}

/* Count a call; true means that it has to fail. */
static int fails(const char *name, const char *path, int fd) {
    long number = atomic_fetch_add(&calls, 1) + 1;
    if (trace_fd >= 0) {
        char link[64], target[PATH_MAX] = "", line[PATH_MAX + 64];
        if (!path && fd >= 0) {
            snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
            ssize_t n = readlink(link, target, sizeof target - 1);
            target[n > 0 ? n : 0] = 0;
            path = target;
        }
        int n = snprintf(line, sizeof line, "%ld %s %s\n", number, name, path ? path : "");
        ssize_t (*put)(int, const void *, size_t) = dlsym(RTLD_NEXT, "write");
        if (put(trace_fd, line, n) < 0) return 0;
    }
    if (!fail_at || (stays_broken ? number < fail_at : number != fail_at)) return 0;
    errno = fail_error;
    return 1;
}

/* Take the room that a write up to `end` needs; true means that there is none left. */
static int is_full(int fd, off_t end) {
    struct stat found;
    if (!has_room_limit || fstat(fd, &found) || end <= found.st_size) return 0;
    if (atomic_fetch_sub(&room, end - found.st_size) >= end - found.st_size) return 0;
    atomic_store(&room, 0);
    errno = ENOSPC;
    return 1;
}

static off_t here(int fd) { return lseek(fd, 0, SEEK_CUR); }

#define REAL(name) __typeof__(name) *real = (__typeof__(name) *)dlsym(RTLD_NEXT, #name)

#define OPENS(name)                                                     \
    int name(const char *path, int flags, ...) {                        \
        va_list rest;                                                   \
        va_start(rest, flags);                                          \
        mode_t mode = va_arg(rest, mode_t);                             \
        va_end(rest);                                                   \
        REAL(name);                                                     \
        if (is_below(path) && fails("open", path, -1)) return -1;       \
        int fd = real(path, flags, mode);                               \
        note(fd, path);                                                 \
        return fd;                                                      \
    }
OPENS(open)
OPENS(open64)

#define OPENS_AT(name)                                                  \
    int name(int at, const char *path, int flags, ...) {                \
        va_list rest;                                                   \
        va_start(rest, flags);                                          \
        mode_t mode = va_arg(rest, mode_t);                             \
        va_end(rest);                                                   \
        REAL(name);                                                     \
        if (is_below(path) && fails("open", path, -1)) return -1;       \
        int fd = real(at, path, flags, mode);                           \
        note(fd, path);                                                 \
        return fd;                                                      \
    }
OPENS_AT(openat)
OPENS_AT(openat64)

int close(int fd) {
    REAL(close);
    if (fd >= 0 && fd < MOST_FILES) atomic_store(&is_watched[fd], 0);
    return real(fd);
}

ssize_t write(int fd, const void *from, size_t size) {
    REAL(write);
    if (is_ours(fd) && (fails("write", NULL, fd) || is_full(fd, here(fd) + size))) return -1;
    return real(fd, from, size);
}

#define WRITES_AT(name, offset)                                                              \
    ssize_t name(int fd, const void *from, size_t size, offset at) {                         \
        REAL(name);                                                                          \
        if (is_ours(fd) && (fails("write", NULL, fd) || is_full(fd, at + size))) return -1;  \
        return real(fd, from, size, at);                                                     \
    }
WRITES_AT(pwrite, off_t)
WRITES_AT(pwrite64, off64_t)

ssize_t writev(int fd, const struct iovec *parts, int count) {
    REAL(writev);
    off_t size = 0;
    for (int i = 0; i < count; i++) size += parts[i].iov_len;
    if (is_ours(fd) && (fails("write", NULL, fd) || is_full(fd, here(fd) + size))) return -1;
    return real(fd, parts, count);
}

ssize_t sendfile(int to, int from, off_t *at, size_t size) {
    REAL(sendfile);
    struct stat found;
    off_t most = fstat(from, &found) ? (off_t)size : found.st_size;
    if (is_ours(to) && (fails("write", NULL, to) || is_full(to, most))) return -1;
    return real(to, from, at, size);
}

ssize_t sendfile64(int to, int from, off64_t *at, size_t size) {
    return sendfile(to, from, (off_t *)at, size);
}

ssize_t copy_file_range(int from, off64_t *at, int to, off64_t *to_at, size_t size, unsigned f) {
    REAL(copy_file_range);
    if (is_ours(to) && (fails("write", NULL, to) || is_full(to, here(to) + size))) return -1;
    return real(from, at, to, to_at, size, f);
}

#define RESIZES(name, offset)                                                             \
    int name(int fd, offset size) {                                                       \
        REAL(name);                                                                       \
        if (is_ours(fd) && (fails("truncate", NULL, fd) || is_full(fd, size))) return -1; \
        return real(fd, size);                                                            \
    }
RESIZES(ftruncate, off_t)
RESIZES(ftruncate64, off64_t)

#define FLUSHES(name)                                        \
    int name(int fd) {                                       \
        REAL(name);                                          \
        if (is_ours(fd) && fails(#name, NULL, fd)) return -1; \
        return real(fd);                                     \
    }
FLUSHES(fsync)
FLUSHES(fdatasync)

int rename(const char *from, const char *to) {
    REAL(rename);
    if (is_below(to) && fails("rename", to, -1)) return -1;
    return real(from, to);
}

int renameat(int at, const char *from, int to_at, const char *to) {
    REAL(renameat);
    if (is_below(to) && fails("rename", to, -1)) return -1;
    return real(at, from, to_at, to);
}

int unlink(const char *path) {
    REAL(unlink);
    if (is_below(path) && fails("unlink", path, -1)) return -1;
    return real(path);
}

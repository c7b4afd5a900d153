/* Stands between a program and the C library (LD_PRELOAD): at one call among those that touch files
   under a marked folder, that call fails, or all later ones find the disk full, or power is lost.

   Power loss: the process ends, and what was written and not synced is taken back to the length that
   was on the disk, also in files that have got another name since. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <string.h>
#include <sys/stat.h>
#include <unistd.h>

enum { COUNT, FAIL, FULL, STOP };
enum { MOST = 4096 };
static char marker[256];
static long at, seen;
static int mode, armed;
static struct { char marked, dirty; off_t synced; } files[MOST];

void fault_arm(const char *folder, long number, int kind) {
    strncpy(marker, folder, sizeof marker - 1);
    at = number, mode = kind, seen = 0, armed = 1;
    memset(files, 0, sizeof files);
}

long fault_count(void) { return seen; }

static void lose_power(void) {
    static int (*cut)(int, off_t);
    cut = dlsym(RTLD_NEXT, "ftruncate64");
    for (int fd = 0; fd < MOST; fd++)
        if (files[fd].dirty) {
            struct stat now;
            if (fstat(fd, &now) == 0 && now.st_size > files[fd].synced) cut(fd, files[fd].synced);
        }
    _exit(77);
}

/* Says whether a call is to fail, with which errno; only what writes fails for want of room. */
static int strikes(int writes, int why) {
    if (!armed) return 0;
    long number = __atomic_add_fetch(&seen, 1, __ATOMIC_SEQ_CST);
    if (mode == COUNT || number < at) return 0;
    if (number == at && mode == STOP) lose_power();
    if (mode == FULL) {
        errno = ENOSPC;
        return writes;
    }
    errno = why;
    return number == at;
}

static int is_marked(const char *path) { return armed && path && strstr(path, marker) != NULL; }
static int has(int fd) { return armed && fd >= 0 && fd < MOST && files[fd].marked; }

static int noted(int fd) {
    struct stat now;
    if (fd >= 0 && fd < MOST) {
        files[fd].marked = 1, files[fd].dirty = 0;
        files[fd].synced = fstat(fd, &now) == 0 ? now.st_size : 0;
    }
    return fd;
}

#define REAL(type, name, ...) static type (*real)(__VA_ARGS__); \
    if (!real) real = dlsym(RTLD_NEXT, name)
#define OPENS(name) int name(const char *path, int flags, ...) { \
    va_list rest; va_start(rest, flags); mode_t how = va_arg(rest, int); va_end(rest); \
    REAL(int, #name, const char *, int, ...); \
    if (!is_marked(path)) return real(path, flags, how); \
    if (strikes(flags & (O_CREAT | O_TRUNC), flags & O_CREAT ? EACCES : EIO)) return -1; \
    return noted(real(path, flags, how)); }
OPENS(open)
OPENS(open64)

#define READS(name, parameters, names, ...) ssize_t name parameters { \
    REAL(ssize_t, #name, __VA_ARGS__); \
    return has(fd) && strikes(0, EIO) ? -1 : real names; }
READS(read, (int fd, void *to, size_t n), (fd, to, n), int, void *, size_t)
READS(pread64, (int fd, void *to, size_t n, off_t o), (fd, to, n, o), int, void *, size_t, off_t)

#define WRITES(name, parameters, names, ...) ssize_t name parameters { \
    REAL(ssize_t, #name, __VA_ARGS__); \
    if (!has(fd)) return real names; \
    files[fd].dirty = 1; \
    return strikes(1, ENOSPC) ? -1 : real names; }
WRITES(write, (int fd, const void *from, size_t n), (fd, from, n), int, const void *, size_t)
WRITES(pwrite64, (int fd, const void *from, size_t n, off_t o), (fd, from, n, o), int, const void *,
       size_t, off_t)

#define SYNCS(name) int name(int fd) { \
    REAL(int, #name, int); \
    if (!has(fd)) return real(fd); \
    if (strikes(1, EIO)) return -1; \
    int failed = real(fd); \
    if (!failed) noted(fd); \
    return failed; }
SYNCS(fsync)
SYNCS(fdatasync)

int close(int fd) {
    REAL(int, "close", int);
    if (has(fd) && files[fd].dirty) { /* a copy stays open: the disk has not got it yet */
        int copy = fcntl(fd, F_DUPFD_CLOEXEC, 512);
        if (copy >= 0 && copy < MOST) files[copy] = files[fd];
    }
    if (fd >= 0 && fd < MOST) memset(&files[fd], 0, sizeof files[fd]);
    return real(fd);
}

/* A full disk still takes files away. */
static int mode_of(const char *name) { return strcmp(name, "unlink") != 0; }

#define PATHS(name, parameters, names, path, ...) int name parameters { \
    REAL(int, #name, __VA_ARGS__); \
    return is_marked(path) && strikes(mode_of(#name), EIO) ? -1 : real names; }
PATHS(unlink, (const char *a), (a), a, const char *)
PATHS(rename, (const char *a, const char *b), (a, b), b, const char *, const char *)
PATHS(mkdir, (const char *a, mode_t m), (a, m), a, const char *, mode_t)

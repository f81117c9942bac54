/* A card that fails, for a program that is started with this in LD_PRELOAD.
 *
 * CARD is the folder on the card, CONTROL a file elsewhere whose first letter says how the card is:
 * w well; f full: no more data is taken; r read-only: nothing is changed; g gone: the folder is empty and cannot be
 * written, and files that are open give errors; i input/output error, whatever is asked; s slow: whatever is asked waits until
 * the card is another way.
 */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

enum { READS, SYNCS, OPENS_TO_WRITE, CHANGES, WRITES };

static char how(void)
{
    static const char *control;
    char letter = 'w';
    if (control == NULL && (control = getenv("CONTROL")) == NULL)
        return letter;
    long fd = syscall(SYS_openat, AT_FDCWD, control, O_RDONLY | O_CLOEXEC);
    if (fd >= 0) {
        if (syscall(SYS_read, fd, &letter, 1) != 1)
            letter = 'w';
        syscall(SYS_close, fd);
    }
    return letter;
}

enum { ELSEWHERE, FOLDER, BELOW };

static int on_card(const char *path)
{
    static const char *card;
    if (card == NULL && (card = getenv("CARD")) == NULL)
        return ELSEWHERE;
    size_t length = strlen(card);
    if (strncmp(path, card, length) != 0)
        return ELSEWHERE;
    return path[length] == '/' ? BELOW : path[length] == 0 ? FOLDER : ELSEWHERE;
}

/* 0 when the call may go on, else -1 with the error set. */
static int refused(int place, int what, int by_path)
{
    char letter = how();
    while (letter == 's') {
        usleep(5000);
        letter = how();
    }
    errno = letter == 'i' ? EIO
        : letter == 'g' && place == BELOW ? (by_path ? (what > SYNCS ? EROFS : ENOENT) : EIO)
        : letter == 'f' && what == WRITES        ? ENOSPC
        : letter == 'r' && what > SYNCS          ? EROFS
                                                 : 0;
    return errno ? -1 : 0;
}

static int path_refused(const char *path, int what)
{
    int before = errno;
    int place = path == NULL ? ELSEWHERE : on_card(path);
    if (place == ELSEWHERE || refused(place, what, 1) == 0) {
        errno = before;
        return 0;
    }
    return -1;
}

static int fd_refused(int fd, int what)
{
    char link[40], path[4096];
    int before = errno;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    long length = syscall(SYS_readlinkat, AT_FDCWD, link, path, sizeof path - 1);
    path[length < 0 ? 0 : length] = 0;
    int place = on_card(path);
    if (place == ELSEWHERE || refused(place, what, 0) == 0) {
        errno = before;
        return 0;
    }
    return -1;
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))
#define MAKES(flags) (((flags) & (O_CREAT | O_TRUNC)) || ((flags) & O_ACCMODE) != O_RDONLY)

#define OPEN(name)                                                                                 \
    int name(const char *path, int flags, ...)                                                     \
    {                                                                                              \
        va_list rest;                                                                              \
        va_start(rest, flags);                                                                     \
        int mode = va_arg(rest, int);                                                              \
        va_end(rest);                                                                              \
        return path_refused(path, MAKES(flags) ? OPENS_TO_WRITE : READS) ? -1 : REAL(name)(path, flags, mode);              \
    }
OPEN(open)
OPEN(open64)

#define BY_PATH(name, what, more, given)                                                         \
    int name(const char *path more) { return path_refused(path, what) ? -1 : REAL(name)(path given); }
#define AND ,
BY_PATH(mkdir, WRITES, AND mode_t mode, AND mode)
BY_PATH(unlink, CHANGES, , )
BY_PATH(rename, CHANGES, AND const char *to, AND to)
BY_PATH(access, READS, AND int kind, AND kind)
BY_PATH(stat, READS, AND struct stat *found, AND found)
BY_PATH(lstat, READS, AND struct stat *found, AND found)
BY_PATH(stat64, READS, AND struct stat64 *found, AND found)
BY_PATH(lstat64, READS, AND struct stat64 *found, AND found)

int fstatat(int at, const char *path, struct stat *found, int flags)
{
    return path_refused(path, READS) ? -1 : REAL(fstatat)(at, path, found, flags);
}

int fstatat64(int at, const char *path, struct stat64 *found, int flags)
{
    return path_refused(path, READS) ? -1 : REAL(fstatat64)(at, path, found, flags);
}

#define BY_FD(type, name, what, more, given)                                                     \
    type name(int fd more) { return fd_refused(fd, what) ? -1 : REAL(name)(fd given); }
BY_FD(ssize_t, read, READS, AND void *to AND size_t size, AND to AND size)
BY_FD(ssize_t, pread, READS, AND void *to AND size_t size AND off_t at, AND to AND size AND at)
BY_FD(ssize_t, pread64, READS, AND void *to AND size_t size AND off64_t at, AND to AND size AND at)
BY_FD(ssize_t, write, WRITES, AND const void *from AND size_t size, AND from AND size)
BY_FD(ssize_t, pwrite, WRITES, AND const void *from AND size_t size AND off_t at, AND from AND size AND at)
BY_FD(ssize_t, pwrite64, WRITES, AND const void *from AND size_t size AND off64_t at, AND from AND size AND at)
BY_FD(int, fsync, SYNCS, , )
BY_FD(int, fdatasync, SYNCS, , )
BY_FD(int, ftruncate, CHANGES, AND off_t size, AND size)
BY_FD(int, ftruncate64, CHANGES, AND off64_t size, AND size)

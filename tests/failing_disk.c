/* The system calls that write, one of which fails: preloaded before the C library (see
   failing_disk.py, which tells what to let fail). */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

static char root[PATH_MAX];
static char what[PATH_MAX + 40];
static long at, count;
static int error_number, lasting, armed;

void disk_arm(const char *folder, long at_, int error_, int lasting_)
{
    snprintf(root, sizeof root, "%s/", folder);
    what[0] = 0;
    at = at_, error_number = error_, lasting = lasting_, count = 0, armed = 1;
}

void disk_disarm(void) { armed = 0; }
long disk_count(void) { return count; }
const char *disk_what(void) { return what; }

/* Relative names are in the folder: it is the current one. */
static int is_there(const char *path)
{
    return path && (path[0] != '/' || strncmp(path, root, strlen(root)) == 0);
}

static int fails(const char *call, const char *path)
{
    if (!armed || !is_there(path))
        return 0;
    count++;
    if (count != at && !(lasting && at && count > at))
        return 0;
    if (count == at)
        snprintf(what, sizeof what, "%s %s", call,
                 strncmp(path, root, strlen(root)) ? path : path + strlen(root));
    errno = error_number;
    return 1;
}

static int fails_open(const char *call, int descriptor)
{
    char link[64], path[PATH_MAX];
    ssize_t length;
    if (!armed)
        return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", descriptor);
    length = readlink(link, path, sizeof path - 1);
    if (length < 0 || path[0] != '/')
        return 0;
    path[length] = 0;
    return fails(call, path);
}

#define NEXT(type, name) ((type)dlsym(RTLD_NEXT, name))

#define OPEN(name)                                                                     \
    int name(const char *path, int flags, ...)                                         \
    {                                                                                  \
        mode_t mode = 0;                                                               \
        if (flags & (O_CREAT | __O_TMPFILE)) {                                         \
            va_list rest;                                                              \
            va_start(rest, flags);                                                     \
            mode = va_arg(rest, mode_t);                                               \
            va_end(rest);                                                              \
        }                                                                              \
        if ((flags & (O_WRONLY | O_RDWR | O_CREAT)) && fails("open", path))            \
            return -1;                                                                 \
        return NEXT(int (*)(const char *, int, mode_t), #name)(path, flags, mode);     \
    }
OPEN(open)
OPEN(open64)

/* A disk that is filling takes part of what is written. */
#define WRITE(name, offset_type)                                                       \
    ssize_t name(int descriptor, const void *data, size_t size, offset_type offset)    \
    {                                                                                  \
        ssize_t (*next)(int, const void *, size_t, offset_type) = NEXT(                \
            ssize_t (*)(int, const void *, size_t, offset_type), #name);               \
        if (!fails_open("write", descriptor))                                          \
            return next(descriptor, data, size, offset);                               \
        if (lasting && count == at && size > 1)                                        \
            return next(descriptor, data, size / 2, offset);                           \
        return -1;                                                                     \
    }
WRITE(pwrite, off_t)
WRITE(pwrite64, off64_t)

ssize_t write(int descriptor, const void *data, size_t size)
{
    ssize_t (*next)(int, const void *, size_t) =
        NEXT(ssize_t (*)(int, const void *, size_t), "write");
    if (!fails_open("write", descriptor))
        return next(descriptor, data, size);
    if (lasting && count == at && size > 1)
        return next(descriptor, data, size / 2);
    return -1;
}

#define ON_DESCRIPTOR(name)                                                            \
    int name(int descriptor)                                                           \
    {                                                                                  \
        return fails_open(#name, descriptor) ? -1 : NEXT(int (*)(int), #name)(descriptor); \
    }
ON_DESCRIPTOR(fsync)
ON_DESCRIPTOR(fdatasync)

#define TRUNCATE(name, offset_type)                                                    \
    int name(int descriptor, offset_type length)                                       \
    {                                                                                  \
        return fails_open("ftruncate", descriptor)                                     \
                   ? -1                                                                \
                   : NEXT(int (*)(int, offset_type), #name)(descriptor, length);       \
    }
TRUNCATE(ftruncate, off_t)
TRUNCATE(ftruncate64, off64_t)

int mkdir(const char *path, mode_t mode)
{
    return fails("mkdir", path) ? -1 : NEXT(int (*)(const char *, mode_t), "mkdir")(path, mode);
}

int rename(const char *from, const char *to)
{
    return fails("rename", to) ? -1 : NEXT(int (*)(const char *, const char *), "rename")(from, to);
}

/* On a full disk a file can still be taken away. */
int unlink(const char *path)
{
    if (!(lasting && at && count >= at) && fails("unlink", path))
        return -1;
    return NEXT(int (*)(const char *), "unlink")(path);
}

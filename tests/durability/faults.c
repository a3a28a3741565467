/* Preloaded by the tests of durability: lets the nth call that touches a file below a folder fail.

   fault_arm(folder, nth, kind) sets it for this process and those that it forks; kind is an errno,
   or -1 for a write of half the bytes. After the nth call all later ones of the same sort fail too
   where `stay` is set, as on a full disk. fault_count() tells how many calls there were. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <limits.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

static char home[PATH_MAX];
static volatile long left_calls, seen;
static volatile int fault, stays, writes_only;

void fault_arm(const char *folder, long nth, int kind, int stay, int only_writes) {
  snprintf(home, sizeof home, "%s", folder);
  left_calls = nth; seen = 0; fault = kind; stays = stay; writes_only = only_writes;
}
long fault_count(void) { return seen; }

static int below(const char *path) {
  char here[PATH_MAX * 2];
  if (!home[0] || !path) return 0;
  if (path[0] != '/') {
    char cwd[PATH_MAX];
    if (!getcwd(cwd, sizeof cwd)) return 0;
    snprintf(here, sizeof here, "%s/%s", cwd, path);
    path = here;
  }
  return strncmp(path, home, strlen(home)) == 0;
}
static int fd_below(int fd) {
  char name[64], path[PATH_MAX];
  if (!home[0] || fd < 0) return 0;
  snprintf(name, sizeof name, "/proc/self/fd/%d", fd);
  ssize_t n = readlink(name, path, sizeof path - 1);
  if (n <= 0) return 0;
  path[n] = 0;
  return below(path);
}
/* Whether this call is to fail. */
static int due(int writes) {
  if (writes_only && !writes) return 0;
  long number = __sync_add_and_fetch(&seen, 1);
  if (left_calls <= 0) return 0;
  return stays ? number >= left_calls : number == left_calls;
}
#define REAL(name) static __typeof__(name) *real; if (!real) real = dlsym(RTLD_NEXT, #name)
#define FAIL(value) do { if (fault > 0) { errno = fault; return value; } } while (0)

static int opens(int flags) { return (flags & (O_WRONLY | O_RDWR | O_CREAT | O_TRUNC)) != 0; }
#define OPEN_BODY(call) \
  mode_t mode = 0; \
  if (flags & (O_CREAT | O_TMPFILE)) { va_list a; va_start(a, flags); mode = va_arg(a, mode_t); va_end(a); } \
  if (below(path) && due(opens(flags))) FAIL(-1); \
  return call

int open(const char *path, int flags, ...) { REAL(open); OPEN_BODY(real(path, flags, mode)); }
int open64(const char *path, int flags, ...) { REAL(open64); OPEN_BODY(real(path, flags, mode)); }
int openat(int at, const char *path, int flags, ...) { REAL(openat); OPEN_BODY(real(at, path, flags, mode)); }
int openat64(int at, const char *path, int flags, ...) { REAL(openat64); OPEN_BODY(real(at, path, flags, mode)); }

#define RW(type, name, params, args, writes, half) \
  type name params { REAL(name); \
    if (home[0] && fd_below(fd) && due(writes)) { FAIL(-1); half; } return real args; }
RW(ssize_t, read, (int fd, void *b, size_t n), (fd, b, n), 0, (void)0)
RW(ssize_t, pread, (int fd, void *b, size_t n, off_t o), (fd, b, n, o), 0, (void)0)
RW(ssize_t, pread64, (int fd, void *b, size_t n, off64_t o), (fd, b, n, o), 0, (void)0)
RW(ssize_t, write, (int fd, const void *b, size_t n), (fd, b, n), 1, if (n > 1) n /= 2)
RW(ssize_t, pwrite, (int fd, const void *b, size_t n, off_t o), (fd, b, n, o), 1, if (n > 1) n /= 2)
RW(ssize_t, pwrite64, (int fd, const void *b, size_t n, off64_t o), (fd, b, n, o), 1, if (n > 1) n /= 2)
RW(ssize_t, writev, (int fd, const struct iovec *v, int n), (fd, v, n), 1, (void)0)
RW(int, fsync, (int fd), (fd), 1, (void)0)
RW(int, fdatasync, (int fd), (fd), 1, (void)0)
RW(int, ftruncate, (int fd, off_t n), (fd, n), 1, (void)0)

#define ON_PATH(name, params, args) \
  int name params { REAL(name); if (below(path) && due(1)) FAIL(-1); return real args; }
ON_PATH(rename, (const char *path, const char *to), (path, to))
ON_PATH(unlink, (const char *path), (path))
ON_PATH(mkdir, (const char *path, mode_t mode), (path, mode))
ON_PATH(rmdir, (const char *path), (path))
int renameat2(int a, const char *path, int b, const char *to, unsigned int flags) {
  REAL(renameat2); if (below(path) && due(1)) FAIL(-1); return real(a, path, b, to, flags);
}

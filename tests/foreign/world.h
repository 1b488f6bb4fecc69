/* What is wired to what: cells of a shared file that supply, unit and I/O read and write.
 *
 * Each device is a process of its own; none knows the others but through these wires. The cells are doubles, in the
 * order of `Wire`; rack.py counts them by the same names. One process writes each cell, so no lock is needed.
 */
#ifndef WORLD_H
#define WORLD_H

#include <fcntl.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/mman.h>
#include <time.h>
#include <unistd.h>

enum Wire {
  VOLTS,         /* at the unit's terminals */
  AMPERES,       /* drawn by the unit */
  LAMP_HEALTHY,  /* 1 when lit */
  LAMP_FAULTED,
  OUT1, OUT2, OUT3, OUT4,
  IN1, IN2,
  LOOP,          /* a wire from the I/O back into itself */
  SUPPLY_PORT,   /* where the devices listen */
  UNIT_PORT,
  IO_PORT,
  WIRES
};

static volatile double *world_open(const char *path) {
  int file = open(path, O_RDWR);
  void *map = MAP_FAILED;
  if (file >= 0) map = mmap(NULL, WIRES * sizeof(double), PROT_READ | PROT_WRITE, MAP_SHARED, file, 0);
  if (map == MAP_FAILED) {
    perror(path);
    exit(1);
  }
  return map;
}

static inline double world_now(void) {
  struct timespec now;
  clock_gettime(CLOCK_MONOTONIC, &now);
  return now.tv_sec + now.tv_nsec * 1e-9;
}

#endif

/* A four-output controller on libmodbus: `unit WORLD [--WORD VALUE]...`.
 *
 *   --boot S      from power to the first answer (0.4)
 *   --scan MS     how often it looks at its inputs and commands (10)
 *   --answer MS   each answer takes so long (0)
 *   --fault WORD  stuck-off: output 3 stays off; forgets: the configuration is lost without supply; no-start: it never
 *                 comes up; crashes: it hangs, dark, at the first command of an output; hangs: its server stops
 *                 answering then, while all else goes on; always-on: it lives on another supply
 */
#include <modbus.h>
#include <netinet/in.h>
#include <string.h>
#include <sys/select.h>
#include <sys/socket.h>

#include "world.h"

#define COILS 500
#define REGISTERS 40
#define MODE 40
#define INDICATOR 41
#define FAULT_COUNT 42
#define STARTS 43
#define CLEAR 49
#define FAULT_TABLE 60
#define CONFIGURATION 200
#define WORDS 6
#define LIVE 7
#define CLEAR_WORD 0xC1EA
#define CLIENTS 8
/* Currents, A: at rest, and more for each output that is on. Voltage below which it stops. */
#define IDLE 0.050
#define EACH 0.002
#define LOWEST 16.0

static volatile double *wire;
static modbus_mapping_t *map;
static double boot = 0.4, scan = 0.010;
static int answer_ms, crashed, hangs;
static const char *fault = "";
static uint16_t kept[WORDS];
static double powered_at = -1.0;

static int is(const char *word) { return strcmp(fault, word) == 0; }

static uint16_t *at(int address) { return map->tab_registers + (address - REGISTERS); }

static int running(void) {
  return powered_at >= 0.0 && !crashed && !is("no-start") && world_now() - powered_at > boot;
}

static void power_came(void) {
  powered_at = world_now();
  crashed = hangs = 0;
  memset(map->tab_bits, 0, 4);
  *at(MODE) = 1;
  *at(STARTS) += 1;
  for (int n = 0; n < WORDS; n++) *at(CONFIGURATION + n) = is("forgets") ? 0 : kept[n];
}

/* What the unit does to its terminals, once each scan. */
static void terminals(void) {
  int powered = wire[VOLTS] > LOWEST || is("always-on"), on = 0;
  if (powered && powered_at < 0.0) power_came();
  if (!powered) powered_at = -1.0;
  for (int n = 0; n < 4; n++) {
    int driven = running() && *at(MODE) == LIVE && map->tab_bits[n] && !(is("stuck-off") && n == 2);
    wire[OUT1 + n] = driven;
    on += driven;
  }
  for (int n = 0; n < 2; n++) map->tab_input_bits[n] = wire[IN1 + n] > 0.5;
  *at(INDICATOR) = running() ? 3 : 0;
  *at(FAULT_COUNT) = (*at(FAULT_TABLE) != 0) + (*at(FAULT_TABLE + 2) != 0);
  wire[LAMP_HEALTHY] = running();
  wire[LAMP_FAULTED] = 0;
  wire[AMPERES] = !powered || is("always-on") ? 0.0 : crashed ? 0.012 : IDLE + EACH * on;
}

static void carry_out(void) {
  if (*at(CLEAR) == CLEAR_WORD) memset(at(FAULT_TABLE), 0, 4 * sizeof(uint16_t));
  *at(CLEAR) = 0;
  memcpy(kept, at(CONFIGURATION), sizeof kept);
  int commanded = 0;
  for (int n = 0; n < 4; n++) commanded |= map->tab_bits[n];
  if (commanded && is("crashes")) crashed = 1;
  if (commanded && is("hangs")) hangs = 1;
}

int main(int count, char **arguments) {
  int clients[CLIENTS] = {0};
  struct sockaddr_in bound;
  socklen_t size = sizeof bound;
  if (count < 2) return 2;
  wire = world_open(arguments[1]);
  for (int n = 2; n + 1 < count; n += 2) {
    if (!strcmp(arguments[n], "--boot")) boot = atof(arguments[n + 1]);
    else if (!strcmp(arguments[n], "--scan")) scan = atof(arguments[n + 1]) * 1e-3;
    else if (!strcmp(arguments[n], "--answer")) answer_ms = atoi(arguments[n + 1]);
    else if (!strcmp(arguments[n], "--fault")) fault = arguments[n + 1];
    else return 2;
  }
  map = modbus_mapping_new_start_address(COILS, 4, 0, 2, REGISTERS, CONFIGURATION + WORDS - REGISTERS, 0, 0);
  *at(FAULT_TABLE) = 7;
  *at(FAULT_TABLE + 1) = 2;
  modbus_t *context = modbus_new_tcp("127.0.0.1", 0);
  int server = modbus_tcp_listen(context, 4);
  if (!map || server < 0 || getsockname(server, (void *)&bound, &size)) return 1;
  modbus_set_slave(context, 3);
  modbus_set_response_timeout(context, 0, 1000); /* it waits so long after a function that it does not know */
  modbus_set_indication_timeout(context, 0, 200000);
  terminals();
  wire[UNIT_PORT] = ntohs(bound.sin_port);
  for (double next = world_now();; ) {
    fd_set ready;
    double wait = next - world_now();
    struct timeval pause = {0, wait > 0 ? (long)(wait * 1e6) : 0};
    int awake = running() && !hangs;
    FD_ZERO(&ready);
    if (awake) FD_SET(server, &ready);
    for (int i = 0; awake && i < CLIENTS; i++)
      if (clients[i]) FD_SET(clients[i], &ready);
    int some = select(FD_SETSIZE, &ready, NULL, NULL, &pause);
    if (world_now() >= next) {
      int before = running();
      terminals();
      next = world_now() + scan;
      if (before && !running())  /* a unit that dies takes its connections along */
        for (int i = 0; i < CLIENTS; i++)
          if (clients[i]) close(clients[i]), clients[i] = 0;
    }
    if (some <= 0) continue;
    if (FD_ISSET(server, &ready)) {
      int client = modbus_tcp_accept(context, &server), i = 0;
      while (i < CLIENTS && clients[i]) i++;
      if (i == CLIENTS) close(client);
      else clients[i] = client;
    }
    for (int i = 0; i < CLIENTS; i++) {
      uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
      if (!clients[i] || !FD_ISSET(clients[i], &ready)) continue;
      modbus_set_socket(context, clients[i]);
      int got = modbus_receive(context, query);
      if (got < 0) {
        close(clients[i]);
        clients[i] = 0;
        continue;
      }
      if (answer_ms) usleep(answer_ms * 1000);
      if (got > 0) modbus_reply(context, query, got, map);
      carry_out();
    }
  }
}

/* A small DC power supply that speaks SCPI over TCP: `supply WORLD [ANSWER_MS]`.
 *
 * From our own reading of SCPI-1999 (volume 1: headers 6.2, compound messages 6.2.4, error queue 21.8; volume 4:
 * class DC power supply) and IEEE 488.2. One client at a time is served; others wait. ANSWER_MS delays each answer.
 */
#include <ctype.h>
#include <math.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <string.h>
#include <strings.h>
#include <sys/select.h>
#include <sys/socket.h>

#include "world.h"

#define LONGEST 512
#define CLIENTS 8

static volatile double *wire;
static double set_volts, set_amps = 0.1, set_protection = 40.0;
static int is_on, answer_ms;
static int errors[8], error_count;

static void report(int number) {
  if (error_count < 8) errors[error_count++] = number;
}

static const char *text_of(int number) {
  switch (number) {
    case 0: return "No error";
    case -109: return "Missing parameter";
    case -113: return "Undefined header";
    case -222: return "Data out of range";
    default: return "Command error";
  }
}

/* One node of a header against one of a pattern: the short form (capitals) or the long one, any case (6.2.1). */
static int node_matches(const char *pattern, int length, const char *node, int size) {
  int capitals = 0;
  while (capitals < length && isupper((unsigned char)pattern[capitals])) capitals++;
  return (size == capitals || size == length) && strncasecmp(pattern, node, size) == 0;
}

/* A header against a pattern such as "[SOURce:]VOLTage[:LEVel]"; nodes in brackets may be left out. */
static int matches(const char *pattern, const char *header) {
  int optional = 0, length, size;
  if (*pattern == '\0') return *header == '\0';
  if (*pattern == '[') optional = 1, pattern++;
  if (*pattern == ':') pattern++;
  length = strcspn(pattern, ":[]");
  const char *rest = pattern + length;
  if (optional) rest = strchr(rest, ']') + 1;
  size = strcspn(header, ":");
  if (size && node_matches(pattern, length, header, size)) {
    const char *following = header + size + (header[size] == ':');
    while (*rest == ':' ) rest++;
    if (matches(rest, following)) return 1;
  }
  return optional && matches(rest, header);
}

static void apply(void) { wire[VOLTS] = is_on ? set_volts : 0.0; }

static int number_in(const char *text, double low, double high, double *into) {
  char *end;
  double value = strtod(text, &end);
  if (end == text) return report(-109), 0;
  while (isspace((unsigned char)*end)) end++;
  if (tolower((unsigned char)*end) == 'm') value *= 1e-3;
  if (value < low || value > high) return report(-222), 0;
  *into = value;
  return 1;
}

/* Carry out one program message unit; append its answer, if it is a query. */
static void unit_of_message(const char *header, const char *argument, char *answer) {
  char words[96] = "";
  if (!strcasecmp(header, "*IDN?")) strcpy(words, "Hexaware Bench,LP-20,7,1.2");
  else if (!strcasecmp(header, "*CLS")) error_count = 0;
  else if (!strcasecmp(header, "*RST")) is_on = 0, set_volts = 0.0, apply();
  else if (!strcasecmp(header, "*OPC?")) strcpy(words, "1");
  else if (matches("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]:?", header)) sprintf(words, "%.4f", set_volts);
  else if (matches("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]:?", header)) sprintf(words, "%.4f", set_amps);
  else if (matches("[SOURce:]VOLTage:PROTection[:LEVel]:?", header)) sprintf(words, "%.4f", set_protection);
  else if (matches("OUTPut[:STATe]:?", header)) sprintf(words, "%d", is_on);
  else if (matches("MEASure[:SCALar]:VOLTage[:DC]:?", header)) sprintf(words, "%.4f", wire[VOLTS]);
  else if (matches("MEASure[:SCALar]:CURRent[:DC]:?", header)) sprintf(words, "%.5f", is_on ? wire[AMPERES] : 0.0);
  else if (matches("SYSTem:ERRor[:NEXT]:?", header)) {
    int number = error_count ? errors[0] : 0;
    if (error_count) memmove(errors, errors + 1, --error_count * sizeof *errors);
    sprintf(words, "%d,\"%s\"", number, text_of(number));
  }
  else if (matches("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", header)) number_in(argument, 0, 40, &set_volts), apply();
  else if (matches("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", header)) number_in(argument, 0, 5, &set_amps);
  else if (matches("[SOURce:]VOLTage:PROTection[:LEVel]", header)) number_in(argument, 0, 44, &set_protection);
  else if (matches("OUTPut[:STATe]", header)) is_on = !strcasecmp(argument, "ON") || atoi(argument), apply();
  else report(-113);
  if (*words) sprintf(answer + strlen(answer), "%s%s", *answer ? ";" : "", words);
}

/* A program message: units parted by semicolons, each in the branch of the last (6.2.4). */
static void message(char *line, char *answer) {
  char branch[LONGEST] = "", header[LONGEST], *part, *more = line;
  while ((part = strsep(&more, ";"))) {
    while (isspace((unsigned char)*part)) part++;
    int size = strcspn(part, " \t");
    const char *argument = part + size + strspn(part + size, " \t");
    if (part[0] == '*') snprintf(header, sizeof header, "%.*s", size, part);
    else if (part[0] == ':') snprintf(header, sizeof header, "%.*s", size - 1, part + 1);
    else snprintf(header, sizeof header, "%.*s%.*s", (int)strlen(branch), branch, size, part);
    if (!*header) continue;
    if (part[0] != '*') {
      char *colon = strrchr(header, ':');
      snprintf(branch, sizeof branch, "%.*s", colon ? (int)(colon - header + 1) : 0, header);
    }
    /* The question mark belongs to the last node; the patterns write it as one more. */
    size_t end = strlen(header);
    if (part[0] != '*' && end && header[end - 1] == '?') header[end - 1] = '\0', strcat(header, ":?");
    unit_of_message(header, argument, answer);
  }
}

static int listening(void) {
  struct sockaddr_in at = {.sin_family = AF_INET, .sin_addr.s_addr = htonl(INADDR_LOOPBACK)};
  socklen_t size = sizeof at;
  int server = socket(AF_INET, SOCK_STREAM, 0);
  if (bind(server, (struct sockaddr *)&at, size) || listen(server, 4) || getsockname(server, (void *)&at, &size)) {
    perror("supply");
    exit(1);
  }
  wire[SUPPLY_PORT] = ntohs(at.sin_port);
  return server;
}

int main(int count, char **arguments) {
  static char lines[CLIENTS][LONGEST];
  int clients[CLIENTS] = {0}, filled[CLIENTS] = {0};
  if (count < 2) return 2;
  wire = world_open(arguments[1]);
  answer_ms = count > 2 ? atoi(arguments[2]) : 0;
  int server = listening();
  for (;;) {
    fd_set ready;
    FD_ZERO(&ready);
    FD_SET(server, &ready);
    for (int i = 0; i < CLIENTS; i++)
      if (clients[i]) FD_SET(clients[i], &ready);
    if (select(FD_SETSIZE, &ready, NULL, NULL, NULL) < 0) return 1;
    if (FD_ISSET(server, &ready)) {
      int client = accept(server, NULL, NULL), i = 0, yes = 1;
      setsockopt(client, IPPROTO_TCP, TCP_NODELAY, &yes, sizeof yes);
      while (i < CLIENTS && clients[i]) i++;
      if (i == CLIENTS) close(client);
      else clients[i] = client, filled[i] = 0;
    }
    for (int i = 0; i < CLIENTS; i++) {
      if (!clients[i] || !FD_ISSET(clients[i], &ready)) continue;
      int got = recv(clients[i], lines[i] + filled[i], LONGEST - 1 - filled[i], 0);
      if (got <= 0) {
        close(clients[i]);
        clients[i] = 0;
        continue;
      }
      filled[i] += got;
      lines[i][filled[i]] = '\0';
      char *end;
      while ((end = memchr(lines[i], '\n', filled[i]))) {
        char answer[LONGEST] = "";
        *end = '\0';
        if (end > lines[i] && end[-1] == '\r') end[-1] = '\0';
        message(lines[i], answer);
        filled[i] -= end + 1 - lines[i];
        memmove(lines[i], end + 1, filled[i] + 1);
        if (!*answer) continue;
        if (answer_ms) usleep(answer_ms * 1000);
        strcat(answer, "\n");
        if (send(clients[i], answer, strlen(answer), MSG_NOSIGNAL) < 0) continue;
      }
      if (filled[i] == LONGEST - 1) filled[i] = 0;
    }
  }
}

/* Load and clock of benchmarks.routes, and its floor.
 *
 *   forward IN OUT            receive on a port, send to another: what a bridge does at least
 *   measure IN OUT AT N HZ WARM SECONDS
 *       send N universes HZ times a second each, spread evenly, to IN, every frame another one, and read what comes
 *       out at OUT, where the slots begin at byte AT. The first eight slots say when a frame was sent, the kernel
 *       when it arrived. What is repeated bears an old time and is not counted twice. Prints JSON.
 */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <pthread.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>

#define LENGTH 638
#define SLOTS_AT 126
#define MOST 4096

static struct sockaddr_in loopback(int port) {
  struct sockaddr_in a = {.sin_family = AF_INET, .sin_port = htons(port)};
  a.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
  return a;
}

static int64_t now_ns(clockid_t clock) {
  struct timespec t;
  clock_gettime(clock, &t);
  return t.tv_sec * 1000000000LL + t.tv_nsec;
}

static int forward(int in_port, int out_port) {
  char packet[2048];
  int in = socket(AF_INET, SOCK_DGRAM, 0), out = socket(AF_INET, SOCK_DGRAM, 0);
  struct sockaddr_in a = loopback(in_port), b = loopback(out_port);
  if (bind(in, (void *)&a, sizeof a)) return 1;
  puts("ready");
  fflush(stdout);
  for (;;) {
    ssize_t n = recv(in, packet, sizeof packet, 0);
    if (n < 0) return 1;
    sendto(out, packet, n, 0, (void *)&b, sizeof b);
  }
}

static int listener, slots_at;
static volatile int over;
static int64_t begun_ns, newest[MOST], *took;
static size_t count, room;

static void *receive(void *unused) {
  (void)unused;
  while (!over) {
    unsigned char packet[2048];
    char control[64];
    struct iovec part = {packet, sizeof packet};
    struct msghdr m = {.msg_iov = &part, .msg_iovlen = 1, .msg_control = control, .msg_controllen = sizeof control};
    ssize_t n = recvmsg(listener, &m, 0);
    struct cmsghdr *c = CMSG_FIRSTHDR(&m);
    if (n < slots_at + 10 || !c) continue;
    int64_t sent = 0;
    for (int i = 0; i < 8; i++) sent = sent << 8 | packet[slots_at + i];
    int universe = (packet[slots_at + 8] << 8 | packet[slots_at + 9]) % MOST;
    if (sent < begun_ns || !begun_ns || sent <= newest[universe] || count == room) continue;
    struct timespec *t = (void *)CMSG_DATA(c);
    newest[universe] = sent;
    took[count++] = t->tv_sec * 1000000000LL + t->tv_nsec - sent;
  }
  return NULL;
}

static int64_t send_all(int port, int universes, double hz, double seconds) {
  static unsigned char packets[MOST][LENGTH];
  static int made;
  for (int u = 0; u < universes && !made; u++) {
    unsigned char *p = packets[u];
    memcpy(p, "\0\x10\0\0ASC-E1.17\0\0\0\x72\x6e\0\0\0\4", 22); /* E1.31-2018 table 4-1 */
    memcpy(p + 22, "routes-benchmark", 16);
    memcpy(p + 38, "\x72\x58\0\0\0\2bench", 11);
    p[108] = 100;
    p[113] = (u + 1) >> 8, p[114] = (u + 1) & 255;
    memcpy(p + 115, "\x72\x0b\2\xa1\0\0\0\1\2\1", 10);
    p[SLOTS_AT + 8] = u >> 8, p[SLOTS_AT + 9] = u & 255;
  }
  made = 1;
  int sock = socket(AF_INET, SOCK_DGRAM, 0);
  struct sockaddr_in a = loopback(port);
  int64_t sent = 0, begin = now_ns(CLOCK_MONOTONIC);
  for (;; sent++) {
    int64_t due = begin + (int64_t)(sent * 1e9 / (hz * universes));
    if (due >= begin + (int64_t)(seconds * 1e9)) return sent;
    struct timespec t = {due / 1000000000LL, due % 1000000000LL};
    clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &t, NULL);
    unsigned char *p = packets[sent % universes];
    p[111]++;
    int64_t now = now_ns(CLOCK_REALTIME);
    for (int i = 0; i < 8; i++) p[SLOTS_AT + i] = now >> (56 - 8 * i);
    sendto(sock, p, LENGTH, 0, (void *)&a, sizeof a);
  }
}

static int ascending(const void *a, const void *b) {
  int64_t x = *(const int64_t *)a, y = *(const int64_t *)b;
  return (x > y) - (x < y);
}

static int measure(char **word) {
  int universes = atoi(word[5]), one = 1, buffer = 1 << 24;
  double hz = atof(word[6]), warm = atof(word[7]), seconds = atof(word[8]);
  struct sockaddr_in a = loopback(atoi(word[3]));
  struct timeval patience = {0, 200000};
  slots_at = atoi(word[4]);
  room = (size_t)(hz * universes * seconds) + 1000;
  took = calloc(room, sizeof *took);
  listener = socket(AF_INET, SOCK_DGRAM, 0);
  setsockopt(listener, SOL_SOCKET, SO_TIMESTAMPNS, &one, sizeof one);
  setsockopt(listener, SOL_SOCKET, SO_RCVBUF, &buffer, sizeof buffer);
  setsockopt(listener, SOL_SOCKET, SO_RCVTIMEO, &patience, sizeof patience);
  if (universes > MOST || !took || bind(listener, (void *)&a, sizeof a)) return 1;
  pthread_t reader;
  pthread_create(&reader, NULL, receive, NULL);
  send_all(atoi(word[2]), universes, hz, warm);
  puts("warm");
  fflush(stdout);
  begun_ns = now_ns(CLOCK_REALTIME);
  int64_t sent = send_all(atoi(word[2]), universes, hz, seconds);
  struct timespec rest = {1, 0};
  puts("sent");
  fflush(stdout);
  nanosleep(&rest, NULL);
  over = 1;
  pthread_join(reader, NULL);
  qsort(took, count, sizeof *took, ascending);
  printf("{\"sent\": %lld, \"received\": %zu", (long long)sent, count);
  if (count)
    printf(", \"p50_ms\": %.4f, \"p99_ms\": %.4f, \"worst_ms\": %.4f", took[count / 2] / 1e6,
           took[(size_t)(count * 0.99)] / 1e6, took[count - 1] / 1e6);
  puts("}");
  return 0;
}

int main(int words, char **word) {
  if (words == 4 && !strcmp(word[1], "forward")) return forward(atoi(word[2]), atoi(word[3]));
  if (words == 9 && !strcmp(word[1], "measure")) return measure(word);
  return 2;
}

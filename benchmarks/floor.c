/* The floor and the load of the benchmarks: compiled on the spot, so that both ran on the same computer.

   send PORT UNIVERSES PACKETS_A_SECOND SECONDS HOW  full E1.31 packets to loopback, sequence and levels moving;
                                                   HOW: plain, lossy (2 % of the numbers are left out) or doubled
   receive PORT SECONDS                            recvmmsg, and nothing but comparing sequence and levels

   Each prints one line of JSON. The packet is laid out by ANSI E1.31-2018 tables 4-1 to 6-1. */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <errno.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <sys/time.h>
#include <time.h>
#include <unistd.h>

enum { LENGTH = 638, BATCH = 32, READ = 512, ROOM = 1216, MOST = 65536 };

static double now_s(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + t.tv_nsec / 1e9;
}

static double cpu_s(void) {
    struct rusage u;
    getrusage(RUSAGE_SELF, &u);
    return u.ru_utime.tv_sec + u.ru_stime.tv_sec + (u.ru_utime.tv_usec + u.ru_stime.tv_usec) / 1e6;
}

static void compose(uint8_t *p, int universe) {
    memset(p, 0, LENGTH);
    p[1] = 0x10;
    memcpy(p + 4, "ASC-E1.17\0\0\0", 12);
    p[16] = 0x72, p[17] = 0x6e;             /* flags and length: 622 */
    p[21] = 4;                              /* VECTOR_ROOT_E131_DATA */
    memcpy(p + 22, "slotwatch-bench0", 16); /* CID */
    p[38] = 0x72, p[39] = 0x58;             /* 600 */
    p[43] = 2;                              /* VECTOR_E131_DATA_PACKET */
    strcpy((char *)p + 44, "benchmark");
    p[108] = 100;
    p[113] = universe >> 8, p[114] = universe & 0xff;
    p[115] = 0x72, p[116] = 0x0b; /* 523 */
    p[117] = 2, p[118] = 0xa1;
    p[122] = 1;                   /* address increment */
    p[123] = 2, p[124] = 1;       /* 513 values */
}

static int send_all(int port, int universes, double rate, double seconds, int lossy, int doubled) {
    uint8_t *packets = malloc((size_t)universes * LENGTH);
    uint32_t *frames = calloc(universes, sizeof *frames);
    struct mmsghdr m[BATCH];
    struct iovec v[BATCH];
    int s = socket(AF_INET, SOCK_DGRAM, 0), size = 8 << 20;
    struct sockaddr_in to = {.sin_family = AF_INET, .sin_port = htons(port)};
    inet_aton("127.0.0.1", &to.sin_addr);
    setsockopt(s, SOL_SOCKET, SO_SNDBUF, &size, sizeof size);
    if (connect(s, (struct sockaddr *)&to, sizeof to)) return perror("connect"), 1;
    for (int u = 0; u < universes; u++) compose(packets + (size_t)u * LENGTH, u + 1);
    memset(m, 0, sizeof m);
    double start = now_s();
    long sent = 0, wanted = (long)(rate * seconds);
    int next = 0;
    long counted = 0;
    while (sent < wanted) {
        long due = (long)((now_s() - start) * rate) - sent;
        if (due < 1) {
            struct timespec nap = {0, 50000};
            nanosleep(&nap, 0);
            continue;
        }
        int n = due < BATCH ? due : BATCH;
        if (n > universes) n = universes; /* a packet may stand in a call only once */
        for (int i = 0; i < n; i++) {
            uint8_t *p = packets + (size_t)next * LENGTH;
            if (doubled && ((sent + i) & 1)) { /* the packet before once more; sent in the same state */
                p = packets + (size_t)(next ? next - 1 : universes - 1) * LENGTH;
                v[i] = (struct iovec){p, LENGTH};
                m[i].msg_hdr.msg_iov = &v[i], m[i].msg_hdr.msg_iovlen = 1;
                continue;
            }
            uint32_t f = ++frames[next];
            if (lossy && ++counted % 50 == 0) f = ++frames[next];
            p[111] = f;
            for (int slot = 126; slot < LENGTH; slot += 8) p[slot] = f * 5 + slot; /* a fade over 64 slots */
            v[i] = (struct iovec){p, LENGTH};
            m[i].msg_hdr.msg_iov = &v[i], m[i].msg_hdr.msg_iovlen = 1;
            if (++next == universes) next = 0;
        }
        for (int done = 0; done < n;) {
            int r = sendmmsg(s, m + done, n - done, 0);
            if (r > 0) done += r;
            else if (errno != ECONNREFUSED && errno != ENOBUFS && errno != EINTR) return perror("sendmmsg"), 1;
        }
        sent += n;
    }
    printf("{\"sent\": %ld, \"seconds\": %.6f, \"cpu_s\": %.6f}\n", sent, now_s() - start, cpu_s());
    return 0;
}

static int receive(int port, double seconds) {
    static uint8_t rows[READ][ROOM], last[MOST][512];
    static uint8_t sequence[MOST], known[MOST];
    static struct mmsghdr m[READ];
    static struct iovec v[READ];
    long packets = 0, missing = 0, changed = 0;
    int s = socket(AF_INET, SOCK_DGRAM, 0), size = 32 << 20, granted = 0, zero = 0;
    socklen_t length = sizeof granted;
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_port = htons(port)};
    if (setsockopt(s, SOL_SOCKET, 33 /* SO_RCVBUFFORCE */, &size, sizeof size))
        setsockopt(s, SOL_SOCKET, SO_RCVBUF, &size, sizeof size);
    getsockopt(s, SOL_SOCKET, SO_RCVBUF, &granted, &length);
    struct timeval wait = {0, 100000};
    setsockopt(s, SOL_SOCKET, SO_RCVTIMEO, &wait, sizeof wait);
    setsockopt(s, SOL_SOCKET, SO_REUSEADDR, &zero, sizeof zero);
    if (bind(s, (struct sockaddr *)&at, sizeof at)) return perror("bind"), 1;
    for (int i = 0; i < READ; i++) {
        v[i] = (struct iovec){rows[i], ROOM};
        m[i].msg_hdr.msg_iov = &v[i], m[i].msg_hdr.msg_iovlen = 1;
    }
    printf("listening\n");
    fflush(stdout);
    double end = now_s() + seconds;
    while (now_s() < end) {
        int n = recvmmsg(s, m, READ, MSG_WAITFORONE, 0);
        for (int i = 0; i < n; i++) {
            uint8_t *p = rows[i];
            if (m[i].msg_len != LENGTH) continue;
            int u = p[113] << 8 | p[114];
            if (known[u] && (uint8_t)(sequence[u] + 1) != p[111]) missing++;
            if (memcmp(last[u], p + 126, 512)) changed++, memcpy(last[u], p + 126, 512);
            known[u] = 1, sequence[u] = p[111];
        }
        if (n > 0) packets += n;
    }
    uint32_t info[9];
    length = sizeof info;
    getsockopt(s, SOL_SOCKET, 55 /* SO_MEMINFO */, info, &length);
    printf("{\"packets\": %ld, \"missing\": %ld, \"changed\": %ld, \"drops\": %u, \"cpu_s\": %.6f, \"buffer\": %d}\n",
           packets, missing, changed, info[8], cpu_s(), granted);
    return 0;
}

int main(int argc, char **argv) {
    if (argc == 7 && !strcmp(argv[1], "send"))
        return send_all(atoi(argv[2]), atoi(argv[3]), atof(argv[4]), atof(argv[5]), !strcmp(argv[6], "lossy"),
                        !strcmp(argv[6], "doubled"));
    if (argc == 4 && !strcmp(argv[1], "receive")) return receive(atoi(argv[2]), atof(argv[3]));
    fprintf(stderr, "send PORT UNIVERSES PACKETS_A_SECOND SECONDS HOW | receive PORT SECONDS\n");
    return 2;
}

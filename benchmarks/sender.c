/* The load of the benchmarks: E1.31 packets to loopback, laid out by ANSI E1.31-2018 tables 4-1 to 6-1.

   sender PORT UNIVERSES PACKETS_A_SECOND SECONDS [HOW]   prints how many packets were sent

   HOW: plain (one slot moves in each packet), lossy (2 % of the numbers are left out), doubled (each packet twice),
   burst (all universes back to back, then nothing until their next turn), small (one slot a packet),
   forged (a new identity in each packet, one slot), rubbish (bytes that are no packet). */

#define _GNU_SOURCE
#include <arpa/inet.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { BATCH = 32, LENGTH = 638 };

static double now_s(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + t.tv_nsec / 1e9;
}

static void compose(unsigned char *p, int slots) {
    int end = 126 + slots;
    p[1] = 0x10, memcpy(p + 4, "ASC-E1.17\0\0\0", 12);
    p[16] = 0x70 | (end - 16) >> 8, p[17] = (end - 16) & 255, p[21] = 4;
    memcpy(p + 22, "slotwatch-bench0", 16);
    p[38] = 0x70 | (end - 38) >> 8, p[39] = (end - 38) & 255, p[43] = 2;
    strcpy((char *)p + 44, "Bench desk");
    p[108] = 100;
    p[115] = 0x70 | (end - 115) >> 8, p[116] = (end - 115) & 255;
    p[117] = 2, p[118] = 0xa1, p[122] = 1, p[123] = (slots + 1) >> 8, p[124] = (slots + 1) & 255;
}

int main(int count, char **words) {
    static unsigned char rows[BATCH][LENGTH], sequence[65536];
    static struct mmsghdr m[BATCH];
    static struct iovec v[BATCH];
    if (count < 5) return fprintf(stderr, "sender PORT UNIVERSES PACKETS_A_SECOND SECONDS [HOW]\n"), 2;
    int universes = atoi(words[2]);
    double rate = atof(words[3]), seconds = atof(words[4]);
    const char *how = count > 5 ? words[5] : "plain";
    int lossy = !strcmp(how, "lossy"), doubled = !strcmp(how, "doubled"), burst = !strcmp(how, "burst");
    int forged = !strcmp(how, "forged"), rubbish = !strcmp(how, "rubbish"), small = forged || !strcmp(how, "small");
    int length = small ? 127 : rubbish ? 60 : LENGTH;
    int s = socket(AF_INET, SOCK_DGRAM, 0), size = 8 << 20;
    struct sockaddr_in to = {.sin_family = AF_INET, .sin_port = htons(atoi(words[1]))};
    to.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    setsockopt(s, SOL_SOCKET, SO_SNDBUF, &size, sizeof size);
    if (connect(s, (struct sockaddr *)&to, sizeof to)) return perror("connect"), 2;
    for (int i = 0; i < BATCH; i++) {
        if (!rubbish) compose(rows[i], small ? 1 : 512);
        v[i] = (struct iovec){rows[i], length};
        m[i].msg_hdr.msg_iov = &v[i], m[i].msg_hdr.msg_iovlen = 1;
    }
    long sent = 0, numbered = 0;
    int universe = 0;
    unsigned who = 0;
    for (double start = now_s();;) {
        double elapsed = now_s() - start;
        if (elapsed >= seconds) break;
        /* In bursts all of a turn is due at its beginning. */
        long due = burst ? ((long)(elapsed * rate / universes) + 1) * universes : (long)(elapsed * rate);
        if (sent + BATCH > due && !(burst && sent < due)) {
            usleep(burst ? 500 : 100);
            continue;
        }
        int n = burst && due - sent < BATCH ? (int)(due - sent) : BATCH;
        for (int i = 0; i < n; i++) {
            unsigned char *p = rows[i];
            int number = universe + 1;
            if (doubled && (i & 1)) { /* a copy of the packet before */
                memcpy(p, rows[i - 1], LENGTH);
                continue;
            }
            p[113] = number >> 8, p[114] = number & 255;
            if (lossy && ++numbered % 50 == 0) sequence[number]++;
            p[111] = sequence[number]++;
            if (forged) who++, memcpy(p + 22, &who, 4);
            if (!small && !rubbish) p[126 + (sent + i) % 512] = sent >> 3;
            if (++universe >= universes) universe = 0;
        }
        n = sendmmsg(s, m, n, 0);
        if (n > 0) sent += n;
    }
    printf("%ld\n", sent);
    return 0;
}

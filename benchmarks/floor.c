/* The floor of the benchmarks: recvmmsg with kernel stamps, sequence and levels compared by universe, nothing else.

   floor PORT SECONDS   prints packets, CPU seconds, packets that the kernel dropped

   Packets gather for 4 ms, as a receiver that cares for its cost lets them. Offsets: ANSI E1.31-2018 table 4-1. */

#define _GNU_SOURCE
#include <arpa/inet.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <time.h>

enum { BATCH = 1024, ROOM = 1144, CONTROL = 64, MOST = 65536 };

static double now_s(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec + t.tv_nsec / 1e9;
}

int main(int count, char **words) {
    static unsigned char rows[BATCH][ROOM], control[BATCH][CONTROL];
    static struct mmsghdr m[BATCH];
    static struct iovec v[BATCH];
    if (count != 3) return fprintf(stderr, "floor PORT SECONDS\n"), 2;
    unsigned char(*levels)[512] = calloc(MOST, 512), *sequence = calloc(MOST, 1);
    int s = socket(AF_INET, SOCK_DGRAM, 0), one = 1, size = 64 << 20;
    struct sockaddr_in at = {.sin_family = AF_INET, .sin_port = htons(atoi(words[1]))};
    at.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
    if (setsockopt(s, SOL_SOCKET, SO_RCVBUFFORCE, &size, sizeof size)) setsockopt(s, SOL_SOCKET, SO_RCVBUF, &size, sizeof size);
    setsockopt(s, SOL_SOCKET, SO_TIMESTAMPNS, &one, sizeof one);
    setsockopt(s, SOL_SOCKET, SO_RXQ_OVFL, &one, sizeof one);
    if (bind(s, (struct sockaddr *)&at, sizeof at)) return perror("bind"), 2;
    long packets = 0, missing = 0, changed = 0;
    unsigned drops = 0;
    struct timespec nap = {0, 4000000};
    for (double end = now_s() + atof(words[2]); now_s() < end;) {
        nanosleep(&nap, 0);
        for (int n = BATCH; n == BATCH;) {
            for (int i = 0; i < BATCH; i++) {
                v[i] = (struct iovec){rows[i], ROOM};
                m[i].msg_hdr.msg_iov = &v[i], m[i].msg_hdr.msg_iovlen = 1;
                m[i].msg_hdr.msg_control = control[i], m[i].msg_hdr.msg_controllen = CONTROL;
            }
            n = recvmmsg(s, m, BATCH, MSG_DONTWAIT, 0);
            for (int i = 0; i < n; i++) {
                unsigned char *p = rows[i];
                int u = p[113] << 8 | p[114];
                missing += (unsigned char)(p[111] - sequence[u] - 1), sequence[u] = p[111];
                if (memcmp(levels[u], p + 126, 512)) memcpy(levels[u], p + 126, 512), changed++;
                for (struct cmsghdr *h = CMSG_FIRSTHDR(&m[i].msg_hdr); h; h = CMSG_NXTHDR(&m[i].msg_hdr, h))
                    if (h->cmsg_type == SO_RXQ_OVFL) memcpy(&drops, CMSG_DATA(h), 4);
            }
            if (n > 0) packets += n;
        }
    }
    struct rusage r;
    getrusage(RUSAGE_SELF, &r);
    double cpu_s = r.ru_utime.tv_sec + r.ru_stime.tv_sec + (r.ru_utime.tv_usec + r.ru_stime.tv_usec) / 1e6;
    printf("%ld %.3f %u\n", packets, cpu_s, drops);
    return missing + changed < 0;
}

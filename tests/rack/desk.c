/* A desk for the virtual rack PC: sends ready-made E1.31 packets by multicast at a steady rate.
 *
 *   desk PACKETS INTERFACE RATE_HZ
 *
 * PACKETS holds whole packets of 638 bytes, one for each universe, made by the Python library sacn. Of each frame only
 * the sequence number (byte 111) and the levels (from byte 126) are changed (ANSI E1.31 table 4-1). It is compiled
 * because an interpreter in an emulator stutters. */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <net/if.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

enum { PACKET = 638, SEQUENCE_AT = 111, UNIVERSE_AT = 113, LEVELS_AT = 126, MOST = 64, PORT = 5568 };

int main(int argc, char **argv) {
    static unsigned char packets[MOST][PACKET];
    if (argc != 4) return 2;
    FILE *file = fopen(argv[1], "rb");
    if (!file) return 2;
    int count = (int)fread(packets, PACKET, MOST, file);
    struct ip_mreqn by = {.imr_ifindex = (int)if_nametoindex(argv[2])};
    int sock = socket(AF_INET, SOCK_DGRAM, 0);
    if (count < 1 || sock < 0 || setsockopt(sock, IPPROTO_IP, IP_MULTICAST_IF, &by, sizeof by)) return 2;
    long step_ns = (long)(1e9 / atof(argv[3]));
    struct timespec due;
    clock_gettime(CLOCK_MONOTONIC, &due);
    for (unsigned frame = 0;; frame++) {
        for (int i = 0; i < count; i++) {
            unsigned char *packet = packets[i];
            struct sockaddr_in to = {.sin_family = AF_INET, .sin_port = htons(PORT)};
            to.sin_addr.s_addr = htonl(0xEFFF0000u | packet[UNIVERSE_AT] << 8 | packet[UNIVERSE_AT + 1]);
            packet[SEQUENCE_AT] = (unsigned char)frame;
            for (int slot = 0; slot < 512; slot++) packet[LEVELS_AT + slot] = (unsigned char)(frame * 5 + slot);
            sendto(sock, packet, PACKET, 0, (struct sockaddr *)&to, sizeof to); /* a cable that is out is no end */
        }
        due.tv_nsec += step_ns;
        while (due.tv_nsec >= 1000000000L) due.tv_nsec -= 1000000000L, due.tv_sec++;
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &due, NULL);
    }
}

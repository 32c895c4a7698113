/* Reading one socket: recvmmsg into the next free rows of the ring, and each packet's columns from its control data.
   It does exactly what edge/intake/udp_in.py does in numpy; a test compares both.

   All arguments are arrays of 64-bit words, in the order of the structs below. */

#define _GNU_SOURCE
#include <errno.h>
#include <netinet/in.h>
#include <stdint.h>
#include <string.h>
#include <sys/socket.h>
#include <time.h>

#ifndef SOURCE
#error "build it by compilation.py, which says of which source it is"
#endif
const uint32_t slotwatch_source = SOURCE;

enum { NAME = 32, CONTROL = 96, AT_ONCE = 256, STAMP = SCM_TIMESTAMPNS, TRUNCATED = 1, UNKNOWN = 0xFFFF };

/* Columns of the ring, each for all of its rows (wire/batch.py). */
struct ring {
    uint8_t *near, *far;
    int64_t near_bytes, far_bytes;
    int64_t *t_ns;
    int32_t *length;
    uint16_t *network, *src_port;
    uint8_t *protocol, *flags, (*src)[16], (*dst)[16];
};

struct call {
    struct mmsghdr *headers; /* AT_ONCE of each; they point at each other already */
    struct iovec (*iov)[2];
    uint8_t (*names)[NAME], (*control)[CONTROL];
    int64_t fd, protocol, v6;
    int64_t start, room;     /* rows to fill */
    int64_t wall_offset_ns;  /* wall clock minus monotonic clock */
    int64_t drained_ns;      /* when the socket was last empty: nothing in it came before */
    uint32_t *interfaces;    /* answer: where each packet arrived; 0 where that is unknown */
    int64_t mixed;           /* answer: whether they differ */
};

struct found {
    int64_t stamp_ns;
    uint32_t interface;
    uint8_t dst[16];
};

static void mapped(uint8_t *to, const void *address) {
    memset(to, 0, 10), memset(to + 10, 0xFF, 2), memcpy(to + 12, address, 4);
}

/* What the kernel says about a packet: when it came, where, and to whom. Returns 0 unless all of it is there. */
static int read_control(struct msghdr *m, int v6, struct found *found) {
    int stamped = 0, placed = 0;
    for (struct cmsghdr *h = CMSG_FIRSTHDR(m); h; h = CMSG_NXTHDR(m, h)) {
        if (h->cmsg_level == SOL_SOCKET && h->cmsg_type == STAMP) {
            struct timespec t;
            memcpy(&t, CMSG_DATA(h), sizeof t);
            found->stamp_ns = (int64_t)t.tv_sec * 1000000000 + t.tv_nsec;
            stamped = 1;
        } else if (!v6 && h->cmsg_level == IPPROTO_IP && h->cmsg_type == IP_PKTINFO) {
            struct in_pktinfo info;
            memcpy(&info, CMSG_DATA(h), sizeof info);
            found->interface = info.ipi_ifindex;
            mapped(found->dst, &info.ipi_addr);
            placed = 1;
        } else if (v6 && h->cmsg_level == IPPROTO_IPV6 && h->cmsg_type == IPV6_PKTINFO) {
            struct in6_pktinfo info;
            memcpy(&info, CMSG_DATA(h), sizeof info);
            found->interface = info.ipi6_ifindex;
            memcpy(found->dst, &info.ipi6_addr, 16);
            placed = 1;
        }
    }
    return stamped && placed;
}

static void fill(const struct ring *r, const struct call *c, int64_t row, int i, uint32_t *interface, int64_t now_ns) {
    struct mmsghdr *m = c->headers + i;
    const uint8_t *name = c->names[i];
    struct found found = {0};
    int known = read_control(&m->msg_hdr, c->v6, &found);
    int64_t t_ns = known ? found.stamp_ns - c->wall_offset_ns : now_ns;
    t_ns = t_ns < c->drained_ns ? c->drained_ns : t_ns;
    r->t_ns[row] = t_ns > now_ns ? now_ns : t_ns;
    r->length[row] = m->msg_len;
    r->protocol[row] = c->protocol;
    r->flags[row] = m->msg_hdr.msg_flags & MSG_TRUNC ? TRUNCATED : 0;
    r->src_port[row] = name[2] << 8 | name[3];
    if (c->v6) memcpy(r->src[row], name + 8, 16);
    else mapped(r->src[row], name + 4);
    memset(r->dst[row], 0, 16);
    if (known) memcpy(r->dst[row], found.dst, 16);
    *interface = known ? found.interface : 0;
    m->msg_hdr.msg_namelen = NAME, m->msg_hdr.msg_controllen = CONTROL;
}

/* Read at most `room` packets. Returns how many, or minus the error number if there is none at all. */
int64_t slotwatch_receive(const struct ring *r, struct call *c) {
    int64_t taken = 0;
    c->mixed = 0;
    while (taken < c->room) {
        int wanted = c->room - taken < AT_ONCE ? c->room - taken : AT_ONCE;
        for (int i = 0; i < wanted; i++) {
            int64_t row = c->start + taken + i;
            c->iov[i][0].iov_base = r->near + row * r->near_bytes;
            c->iov[i][1].iov_base = r->far + row * r->far_bytes;
        }
        int count = recvmmsg(c->fd, c->headers, wanted, MSG_DONTWAIT, 0);
        if (count < 0) return taken ? taken : -errno;
        struct timespec now;
        clock_gettime(CLOCK_MONOTONIC, &now);
        int64_t now_ns = (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
        for (int i = 0; i < count; i++, taken++) {
            fill(r, c, c->start + taken, i, c->interfaces + taken, now_ns);
            c->mixed |= c->interfaces[taken] != c->interfaces[0];
        }
        if (count < wanted) break;
    }
    return taken;
}

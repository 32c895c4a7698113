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
enum { HEAD, ORIGIN = 9, KNOWN = 16 }; /* words of the ring's header (edge/shared/ring.py); interfaces of which the network is given */

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

/* Sockets that are read while their packets gather. */
struct gathering {
    int64_t *header;         /* of the ring */
    const int64_t *reported; /* how many rows judging has taken; 0: the ring is not begun anew */
    int64_t rows, guard;     /* places of the ring, and most rows that are written beyond its head */
    struct call **calls;
    int64_t count, most;     /* sockets, and packets that are read of one before the others have their turn */
    int64_t times, pause_ns;
    int64_t known, interfaces[KNOWN], networks[KNOWN];
    int64_t written;         /* answer: rows, of which all but the last `unnamed` can be seen by readers */
    int64_t widest;          /* answer: most rows that lay behind one another */
    int64_t at, unnamed;     /* answer: the socket that has to be looked after, -1: none; its rows without a network */
    int64_t error;           /* answer: its error's number */
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

static int64_t now_ns(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
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
        int64_t read_ns = now_ns();
        for (int i = 0; i < count; i++, taken++) {
            fill(r, c, c->start + taken, i, c->interfaces + taken, read_ns);
            c->mixed |= c->interfaces[taken] != c->interfaces[0];
        }
        if (count < wanted) break;
    }
    return taken;
}

/* Fill the networks of rows; 0 where one of their interfaces is none that is known. */
static int name_networks(const struct ring *r, const struct gathering *g, int64_t start, const uint32_t *interfaces, int64_t count) {
    int64_t known = 0;
    for (int64_t i = 0; i < count; i++) {
        if (known == g->known || interfaces[i] != g->interfaces[known])
            for (known = 0; known < g->known && interfaces[i] != g->interfaces[known]; known++) {}
        if (known == g->known) return 0;
        r->network[start + i] = g->networks[known];
    }
    return 1;
}

static void rewind_ring(struct gathering *g) {
    int64_t head = g->header[HEAD], used = head - g->header[ORIGIN];
    g->widest = used > g->widest ? used : g->widest;
    if (!used || !g->reported || *(volatile const int64_t *)g->reported != head) return;
    __atomic_store_n(&g->header[ORIGIN], head, __ATOMIC_SEQ_CST);
    __atomic_thread_fence(__ATOMIC_SEQ_CST); /* the origin before the next rows */
}

/* Empty one socket; 0 where it has to be looked after. */
static int empty(const struct ring *r, struct gathering *g, struct call *c) {
    for (int64_t taken = 0; taken < g->most;) {
        int64_t start = (g->header[HEAD] - g->header[ORIGIN]) % g->rows, began_ns = now_ns();
        c->start = start, c->room = g->rows - start < g->guard ? g->rows - start : g->guard;
        int64_t count = slotwatch_receive(r, c);
        if (count < 0 && count != -EAGAIN && count != -EINTR) return g->error = -count, 0;
        count = count < 0 ? 0 : count;
        taken += count, g->written += count;
        if (!name_networks(r, g, start, c->interfaces, count)) return g->unnamed = count, 0;
        if (count) {
            __atomic_thread_fence(__ATOMIC_SEQ_CST); /* rows before the count */
            __atomic_store_n(&g->header[HEAD], g->header[HEAD] + count, __ATOMIC_SEQ_CST);
            __atomic_thread_fence(__ATOMIC_SEQ_CST); /* the count before the next rows */
        }
        if (count < c->room) {
            c->drained_ns = began_ns;
            break;
        }
    }
    return 1;
}

/* Rest and empty all sockets, so many times, or until one of them has to be looked after. Returns the rows written. */
int64_t slotwatch_gather(const struct ring *r, struct gathering *g) {
    struct timespec pause = {g->pause_ns / 1000000000, g->pause_ns % 1000000000};
    g->written = g->widest = g->unnamed = g->error = 0, g->at = -1;
    for (int64_t k = 0; k < g->times; k++) {
        if (nanosleep(&pause, 0)) break; /* a signal */
        rewind_ring(g);
        for (int64_t i = 0; i < g->count; i++)
            if (!empty(r, g, g->calls[i])) return g->at = i, g->written;
    }
    return g->written;
}

/*
 * A Modbus meter made with libmodbus: a peer that shares no code with the
 * client under test. It serves fixed registers, either over TCP on a free port
 * of the loopback address ("peer tcp") or as unit 17 on a pseudo terminal
 * ("peer rtu"), and prints the port or the path of the terminal in one line.
 * Floats are written out by hand, as the order of libmodbus's own functions for
 * them changed between its versions.
 */
#define _GNU_SOURCE
#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <modbus.h>
#include <netinet/in.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <termios.h>
#include <unistd.h>

static void fail(const char *what) {
	fprintf(stderr, "peer: %s: %s\n", what, modbus_strerror(errno));
	exit(1);
}

static modbus_mapping_t *registers(void) {
	modbus_mapping_t *m = modbus_mapping_new_start_address(0, 0, 0, 0, 40000, 200, 40000, 200);
	if (m == NULL)
		fail("mapping");
	uint16_t *h = m->tab_registers;
	/* a three-phase block as SunSpec lays it out */
	h[0] = 203;
	h[1] = 105;
	h[2] = 1234;
	h[6] = (uint16_t) -2;
	h[7] = 2305;
	h[15] = (uint16_t) -1;
	h[16] = 5001;
	h[17] = (uint16_t) -2;
	h[18] = (uint16_t) -1500;
	h[22] = 1;
	MODBUS_SET_INT32_TO_INT16(h, 38, 0); /* not accumulated */
	MODBUS_SET_INT32_TO_INT16(h, 46, 3000000123u);
	h[54] = (uint16_t) -1;
	/* one of each type */
	MODBUS_SET_INT32_TO_INT16(h, 120, 0xDEADBEEFu);
	MODBUS_SET_INT32_TO_INT16(h, 122, -2);
	MODBUS_SET_INT64_TO_INT16(h, 124, -5000000000LL);
	/* 12345.678 is 4640E6B6 as a float of 32 bits */
	static const uint16_t layouts[] = {
		0x4640, 0xE6B6, /* high word first, high byte first */
		0xB6E6, 0x4046, /* low word first, low byte first */
		0x4046, 0xB6E6, /* high word first, low byte first */
		0xE6B6, 0x4640, /* low word first, high byte first */
	};
	memcpy(h + 128, layouts, sizeof layouts);
	h[136] = 0xFFFF;
	h[137] = (uint16_t) -123;
	/* input registers at the same addresses hold other values */
	uint16_t *i = m->tab_input_registers;
	MODBUS_SET_INT32_TO_INT16(i, 120, 0x449A5000); /* 1234.5 */
	MODBUS_SET_INT32_TO_INT16(i, 122, 987654321);
	return m;
}

/* answer serves one link until it breaks. */
static void answer(modbus_t *ctx, modbus_mapping_t *m) {
	uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
	for (;;) {
		int n = modbus_receive(ctx, query);
		if (n < 0)
			return;
		if (n > 0 && modbus_reply(ctx, query, n, m) < 0 && errno == EPIPE)
			return;
	}
}

static void serve_tcp(modbus_mapping_t *m) {
	modbus_t *ctx = modbus_new_tcp("127.0.0.1", 0);
	if (ctx == NULL)
		fail("context");
	int listener = modbus_tcp_listen(ctx, 4);
	struct sockaddr_in name;
	socklen_t size = sizeof name;
	if (listener < 0 || getsockname(listener, (struct sockaddr *) &name, &size) < 0)
		fail("listen");
	printf("%d\n", ntohs(name.sin_port));
	fflush(stdout);
	for (;;) {
		if (modbus_tcp_accept(ctx, &listener) < 0)
			fail("accept");
		answer(ctx, m);
		modbus_close(ctx);
	}
}

static void serve_rtu(modbus_mapping_t *m) {
	int master = posix_openpt(O_RDWR | O_NOCTTY);
	if (master < 0 || grantpt(master) < 0 || unlockpt(master) < 0)
		fail("pseudo terminal");
	/* kept open here, so that the line outlives each opening by the client */
	int slave = open(ptsname(master), O_RDWR | O_NOCTTY);
	struct termios raw;
	if (slave < 0 || tcgetattr(slave, &raw) < 0)
		fail("terminal");
	cfmakeraw(&raw);
	if (tcsetattr(slave, TCSANOW, &raw) < 0)
		fail("raw terminal");
	modbus_t *ctx = modbus_new_rtu(ptsname(master), 115200, 'N', 8, 1);
	if (ctx == NULL || modbus_set_slave(ctx, 17) < 0 || modbus_set_socket(ctx, master) < 0)
		fail("context");
	/* After a request to another unit libmodbus takes the next frame for that
	 * unit's answer; it shall give up waiting before the client's time-out. */
	modbus_set_response_timeout(ctx, 0, 50000);
	printf("%s\n", ptsname(master));
	fflush(stdout);
	for (;;)
		answer(ctx, m);
}

int main(int argc, char **argv) {
	modbus_mapping_t *m = registers();
	if (argc == 2 && strcmp(argv[1], "tcp") == 0)
		serve_tcp(m);
	if (argc == 2 && strcmp(argv[1], "rtu") == 0)
		serve_rtu(m);
	fprintf(stderr, "usage: peer tcp|rtu\n");
	return 2;
}

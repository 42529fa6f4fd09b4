/* Reads the simulated instruments with libmodbus:
 *   mbmaster tcp HOST PORT | mbmaster rtu DEVICE
 * gcc -o mbmaster mbmaster.c $(pkg-config --cflags --libs libmodbus) */
#include <errno.h>
#include <modbus.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void failed(void)
{
	if (errno >= MODBUS_ENOBASE && errno < MODBUS_ENOBASE + 16)
		printf(" exception %d\n", errno - MODBUS_ENOBASE);
	else
		printf(" failed: %s\n", modbus_strerror(errno));
}

static void words(const char *name, int n, const uint16_t *w)
{
	printf("%s", name);
	if (n < 0) {
		failed();
		return;
	}
	for (int i = 0; i < n; i++)
		printf(" %04x", w[i]);
	printf("\n");
}

static void bits(const char *name, int n, const uint8_t *b)
{
	printf("%s", name);
	if (n < 0) {
		failed();
		return;
	}
	for (int i = 0; i < n; i++)
		printf(" %x", b[i]);
	printf("\n");
}

int main(int argc, char **argv)
{
	modbus_t *m = NULL;
	uint16_t w[64];
	uint8_t b[64];

	if (argc == 4 && strcmp(argv[1], "tcp") == 0)
		m = modbus_new_tcp(argv[2], atoi(argv[3]));
	else if (argc == 3 && strcmp(argv[1], "rtu") == 0)
		m = modbus_new_rtu(argv[2], 19200, 'N', 8, 1);
	if (m == NULL || modbus_set_response_timeout(m, 10, 0) < 0 || modbus_connect(m) < 0) {
		fprintf(stderr, "connect: %s\n", modbus_strerror(errno));
		return 1;
	}
	modbus_set_slave(m, 1);
	words("load-input", modbus_read_input_registers(m, 0, 32, w), w);
	words("load-holding", modbus_read_registers(m, 0, 32, w), w);
	bits("load-discrete", modbus_read_input_bits(m, 0, 3, b), b);
	bits("load-coils", modbus_read_bits(m, 0, 3, b), b);
	words("beyond", modbus_read_input_registers(m, 30, 3, w), w);
	words("write", modbus_write_register(m, 0, 1), w);
	modbus_set_slave(m, 2);
	words("gauge-input", modbus_read_input_registers(m, 0, 6, w), w);
	modbus_close(m);
	modbus_free(m);
	return 0;
}

/*
 * A Modbus peer made of libmodbus, for tests that need one nobody here wrote.
 *
 *   mbpeer tcp PORT REGISTERS.csv      serve on 127.0.0.1 (PORT 0: any free one)
 *   mbpeer rtu-pty UNIT REGISTERS.csv  serve on a pseudo-terminal of its own
 *   mbpeer bench PORT COUNT            read 8 input registers COUNT times
 *
 * README.md tells the rest: what it prints, what it is told on standard input,
 * and how registers are written down.
 */
#define _GNU_SOURCE
#include <errno.h>
#include <modbus.h>
#include <netinet/in.h>
#include <netinet/tcp.h>
#include <pthread.h>
#include <pty.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

enum { REGISTERS = 64, BITS = 16, BENCH_WORDS = 8 };

/* All below is shared by the threads and guarded by the lock. */
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;
static modbus_mapping_t *mapping;
static unsigned long asked[256]; /* requests by function code */
static unsigned long broken;     /* frames that libmodbus threw away */

static void die(const char *format, ...)
{
	va_list args;
	va_start(args, format);
	fprintf(stderr, "mbpeer: ");
	vfprintf(stderr, format, args);
	fprintf(stderr, "\n");
	va_end(args);
	exit(1);
}

/* Puts words written in hexadecimal and parted by blanks into a table. */
static int put_words(const char *table, long at, char *words)
{
	uint16_t *registers = strcmp(table, "input") == 0 ? mapping->tab_input_registers
	                    : strcmp(table, "holding") == 0 ? mapping->tab_registers : NULL;
	if (registers == NULL || words == NULL)
		return -1;
	char *rest, *end;
	for (char *word = strtok_r(words, " \n", &rest); word != NULL; word = strtok_r(NULL, " \n", &rest)) {
		unsigned long value = strtoul(word, &end, 16);
		if (*end != '\0' || value > 0xffff || at < 0 || at >= REGISTERS)
			return -1;
		registers[at++] = (uint16_t)value;
	}
	return 0;
}

/* Reads lines of: table,register,type,order,value,words. */
static void load_registers(const char *path)
{
	mapping = modbus_mapping_new(BITS, BITS, REGISTERS, REGISTERS);
	FILE *file = fopen(path, "r");
	if (mapping == NULL || file == NULL)
		die("%s: %s", path, strerror(errno));
	char line[256];
	int number = 1;
	if (fgets(line, sizeof line, file) == NULL)
		die("%s: empty", path);
	while (fgets(line, sizeof line, file) != NULL) {
		number++;
		char *rest, *table = strtok_r(line, ",", &rest), *at = strtok_r(NULL, ",", &rest);
		for (int skipped = 0; skipped < 3; skipped++)
			strtok_r(NULL, ",", &rest);
		if (table == NULL || at == NULL || put_words(table, strtol(at, NULL, 10), strtok_r(NULL, ",", &rest)) != 0)
			die("%s:%d: cannot be used", path, number);
	}
	fclose(file);
	for (int i = 0; i < BITS; i++) {
		mapping->tab_bits[i] = 0xa5c3 >> i & 1;
		mapping->tab_input_bits[i] = 0x5a3c >> i & 1;
	}
}

/* Answers requests until the connection ends; a line of RTU never does. */
static void serve(modbus_t *context, int is_line)
{
	uint8_t request[MODBUS_TCP_MAX_ADU_LENGTH];
	int header = modbus_get_header_length(context);
	int others = 0; /* what libmodbus gave as 0: another unit's request, then its answer */
	for (;;) {
		memset(request, 0, sizeof request);
		int length = modbus_receive(context, request);
		if (length < 0 && !is_line)
			return;
		pthread_mutex_lock(&lock);
		if (length < 0)
			broken++;
		else if (length > 0 || others++ % 2 == 0)
			asked[request[header]]++;
		if (length > 0)
			modbus_reply(context, request, length, mapping);
		pthread_mutex_unlock(&lock);
	}
}

static void *serve_connection(void *argument)
{
	int connection = (int)(intptr_t)argument;
	modbus_t *context = modbus_new_tcp("127.0.0.1", 0);
	if (context == NULL)
		die("modbus_new_tcp: %s", modbus_strerror(errno));
	modbus_set_socket(context, connection);
	serve(context, 0);
	close(connection);
	modbus_free(context);
	return NULL;
}

static void start(void *(*run)(void *), void *argument)
{
	pthread_t thread;
	if (pthread_create(&thread, NULL, run, argument) != 0)
		die("cannot start a thread");
	pthread_detach(thread);
}

static void *accept_connections(void *argument)
{
	int listener = (int)(intptr_t)argument, connection, on = 1;
	while ((connection = accept(listener, NULL, NULL)) >= 0) {
		setsockopt(connection, IPPROTO_TCP, TCP_NODELAY, &on, sizeof on);
		start(serve_connection, (void *)(intptr_t)connection);
	}
	die("accept: %s", strerror(errno));
	return NULL;
}

static void serve_tcp(int port)
{
	modbus_t *context = modbus_new_tcp("127.0.0.1", port);
	int listener = context == NULL ? -1 : modbus_tcp_listen(context, 4);
	struct sockaddr_in address;
	socklen_t size = sizeof address;
	if (listener < 0 || getsockname(listener, (struct sockaddr *)&address, &size) != 0)
		die("listen: %s", modbus_strerror(errno));
	printf("ready 127.0.0.1:%d\n", ntohs(address.sin_port));
	start(accept_connections, (void *)(intptr_t)listener);
}

static void *serve_line(void *argument)
{
	serve(argument, 1);
	return NULL;
}

/*
 * libmodbus sits on the master's end itself, so nothing relays. The slave's end
 * stays open here as well: with nobody at it the master would only see errors.
 */
static void serve_rtu(int unit)
{
	int master, slave;
	char name[64];
	struct termios raw;
	if (openpty(&master, &slave, name, NULL, NULL) != 0 || tcgetattr(slave, &raw) != 0)
		die("openpty: %s", strerror(errno));
	cfmakeraw(&raw);
	tcsetattr(slave, TCSANOW, &raw);
	modbus_t *context = modbus_new_rtu(name, 19200, 'N', 8, 1);
	if (context == NULL || modbus_set_slave(context, unit) != 0)
		die("modbus_new_rtu: %s", modbus_strerror(errno));
	modbus_set_error_recovery(context, MODBUS_ERROR_RECOVERY_PROTOCOL);
	modbus_set_socket(context, master);
	printf("ready %s\n", name);
	start(serve_line, context);
}

static void print_functions(void)
{
	printf("functions");
	for (int code = 0; code < 256; code++)
		if (asked[code] > 0)
			printf(" %d:%lu", code, asked[code]);
	printf(" broken:%lu\n", broken);
}

/* Does what it is told until nobody is there any more to tell it. */
static void obey(void)
{
	char line[1024];
	while (fgets(line, sizeof line, stdin) != NULL) {
		char *rest, *word = strtok_r(line, " \n", &rest);
		if (word == NULL)
			continue;
		pthread_mutex_lock(&lock);
		if (strcmp(word, "functions") == 0) {
			print_functions();
		} else {
			char *at = strtok_r(NULL, " \n", &rest);
			int failed = at == NULL || put_words(word, strtol(at, NULL, 10), rest) != 0;
			printf(failed ? "refused\n" : "done\n");
		}
		pthread_mutex_unlock(&lock);
	}
}

/* Prints how many exchanges a second a plain loop of libmodbus makes. */
static void bench(int port, long count)
{
	modbus_t *context = modbus_new_tcp("127.0.0.1", port);
	if (context == NULL || modbus_connect(context) != 0)
		die("connect: %s", modbus_strerror(errno));
	uint16_t words[BENCH_WORDS], first = 0;
	struct timespec from, to;
	for (long i = -count / 10; i < count; i++) {
		if (i == 0)
			clock_gettime(CLOCK_MONOTONIC, &from);
		if (modbus_read_input_registers(context, 0, BENCH_WORDS, words) != BENCH_WORDS)
			die("read: %s", modbus_strerror(errno));
		first |= words[0];
	}
	clock_gettime(CLOCK_MONOTONIC, &to);
	if (first == 0)
		die("read nothing but zero");
	double seconds = (double)(to.tv_sec - from.tv_sec) + (double)(to.tv_nsec - from.tv_nsec) / 1e9;
	printf("%.1f\n", (double)count / seconds);
	modbus_close(context);
	modbus_free(context);
}

int main(int argc, char **argv)
{
	setvbuf(stdout, NULL, _IOLBF, 0);
	if (argc == 4 && strcmp(argv[1], "bench") == 0) {
		bench(atoi(argv[2]), atol(argv[3]));
		return 0;
	}
	int is_tcp = argc == 4 && strcmp(argv[1], "tcp") == 0;
	int is_rtu = argc == 4 && strcmp(argv[1], "rtu-pty") == 0;
	if (!is_tcp && !is_rtu)
		die("usage: mbpeer tcp PORT REGISTERS | rtu-pty UNIT REGISTERS | bench PORT COUNT");
	load_registers(argv[3]);
	if (is_tcp)
		serve_tcp(atoi(argv[2]));
	else
		serve_rtu(atoi(argv[2]));
	obey();
	return 0;
}

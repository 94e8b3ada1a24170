/* The real firmware in the AVR simulator simavr, with its pins, its line and its inputs wired to the outside.
   README.md in the folder above lists the options and the commands. */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <poll.h>
#include <signal.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/prctl.h>
#include <sys/wait.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

#include <simavr/avr_adc.h>
#include <simavr/avr_eeprom.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>

#define HERTZ 16000000u
#define PER_US 16u
#define CHANNELS 12
#define BYTE_CYCLES (HERTZ / 25000)      /* 10 bits at 250 000 baud */
#define MS_CYCLES (HERTZ / 1000)
#define LONGEST_WAIT_US 50000

static avr_t *avr;
static avr_irq_t *uart_in, *adc_in, *stop_pin, *pedal_pin, *line_pin;

static const struct { char port; uint8_t pin; } output[CHANNELS + 1] = {
    { 'B', 5 }, { 'B', 6 }, { 'B', 7 }, { 'E', 3 }, { 'E', 4 }, { 'E', 5 }, { 'H', 3 },
    { 'H', 4 }, { 'H', 5 }, { 'L', 3 }, { 'L', 4 }, { 'L', 5 }, { 'A', 0 },
};

/* What the pins do. */
static uint8_t level[CHANNELS + 1];
static avr_cycle_count_t rose[CHANNELS], fell[CHANNELS];
static uint32_t width_us[CHANNELS];
static FILE *edges;

/* What the inputs see. */
static uint32_t wiper_mV[CHANNELS], supply_mV, current_mA[2];

/* The line. */
static uint8_t to_board[1 << 16], from_board[1 << 16];
static uint32_t to_head, to_tail, from_count;
static bool bringing;
static bool receiver_full;               /* the simulated receiver holds a few bytes of its own */
static int terminal = -1;
static bool stepping;
static avr_cycle_count_t said_at;

/* The stand-in. */
static FILE *to_child, *from_child;
static pid_t child;
static avr_cycle_count_t next_ms = MS_CYCLES;

static bool quitting;

static uint64_t now_us(void) { return avr->cycle / PER_US; }

static void fail(const char *what, const char *next)
{
    fprintf(stderr, "simulate: %s; %s\n", what, next);
    exit(2);
}

static void no_sleep(avr_t *a, avr_cycle_count_t cycles)
{
    (void)a;
    (void)cycles;
}

static void quiet_log(avr_t *a, const int at, const char *format, va_list list)
{
    (void)a;
    if (at <= LOG_ERROR) vfprintf(stderr, format, list);
}

static void pin_moved(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    int i = (int)(intptr_t)param;
    uint8_t now = value & 1;
    if (now == level[i]) return;
    level[i] = now;
    if (i < CHANNELS) {
        if (now) rose[i] = avr->cycle;
        else {
            fell[i] = avr->cycle;
            width_us[i] = (uint32_t)((avr->cycle - rose[i] + PER_US / 2) / PER_US);
        }
    }
    if (edges) fprintf(edges, "%llu %d %d\n", (unsigned long long)avr->cycle, i, now);
}

/* One conversion begins. The simulator keeps 8 values: the one that is wanted is put in place just before. */
static void conversion_begins(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)value;
    (void)param;
    uint8_t admux = avr->data[0x7c], adcsrb = avr->data[0x7b];
    uint8_t i = (uint8_t)((admux & 7) | (adcsrb & 8));
    uint32_t mV = 0;
    if (i < CHANNELS) mV = wiper_mV[i];
    else if (i == 12) mV = supply_mV / 2;
    else if (i < 15) mV = current_mA[i - 13] / 10;
    else mV = supply_mV < 5000 ? supply_mV : 5000;
    avr_raise_irq(adc_in + (i & 7), mV > 5000 ? 5000 : mV);
}

static void say_line(void)
{
    if (!from_count) return;
    printf("rx %llu ", (unsigned long long)(said_at / PER_US));
    for (uint32_t i = 0; i < from_count; i++) printf("%02x", from_board[i]);
    putchar('\n');
    from_count = 0;
}

static void byte_sent(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)param;
    if (from_count == sizeof from_board) from_count = 0;
    from_board[from_count++] = (uint8_t)value;
    said_at = avr->cycle;
    if (stepping && !(uint8_t)value) say_line();
}

static void receiver_says(avr_irq_t *irq, uint32_t value, void *param)
{
    (void)irq;
    (void)value;
    receiver_full = param != NULL;
}

/* One byte per byte time, as the line would bring them. */
static avr_cycle_count_t bring_byte(avr_t *a, avr_cycle_count_t when, void *param)
{
    (void)a;
    (void)param;
    if (to_head != to_tail && !receiver_full) {
        avr_raise_irq(uart_in, to_board[to_tail++ % sizeof to_board]);
        if (stepping && to_head == to_tail) printf("sent %llu\n", (unsigned long long)now_us());
    }
    bringing = to_head != to_tail;
    return bringing ? when + BYTE_CYCLES : 0;
}

static void queue_byte(uint8_t byte)
{
    if (to_head - to_tail < sizeof to_board) to_board[to_head++ % sizeof to_board] = byte;
    if (!bringing) avr_cycle_timer_register(avr, BYTE_CYCLES, bring_byte, NULL);
    bringing = true;
}

static void start_child(const char *command)
{
    int down[2], up[2];
    if (pipe2(down, O_CLOEXEC) || pipe2(up, O_CLOEXEC)) fail("no pipe", "close some programs");
    child = fork();
    if (child < 0) fail("cannot start the stand-in", "close some programs");
    if (!child) {
        dup2(down[0], 0);
        dup2(up[1], 1);
        setpgid(0, 0);
        execl("/bin/sh", "sh", "-c", command, (char *)NULL);
        _exit(127);
    }
    close(down[0]);
    close(up[1]);
    to_child = fdopen(down[1], "w");
    from_child = fdopen(up[0], "r");
}

/* One millisecond of the stand-in: pulses and relay out, voltages and currents back. */
static void ask_child(void)
{
    char line[1024];
    uint64_t us = now_us();
    fprintf(to_child, "%llu", (unsigned long long)us);
    for (int i = 0; i < CHANNELS; i++) {
        bool recent = fell[i] && us - fell[i] / PER_US <= LONGEST_WAIT_US;
        fprintf(to_child, " %u", recent ? width_us[i] : 0);
    }
    fprintf(to_child, " %d\n", level[CHANNELS]);
    if (fflush(to_child) || !fgets(line, sizeof line, from_child))
        fail("the stand-in ended", "run its command by itself to see why");
    uint32_t *to[CHANNELS + 3];
    for (int i = 0; i < CHANNELS; i++) to[i] = &wiper_mV[i];
    to[12] = &supply_mV;
    to[13] = &current_mA[0];
    to[14] = &current_mA[1];
    char *at = line;
    for (int i = 0; i < CHANNELS + 3; i++) {
        char *end;
        long value = strtol(at, &end, 10);
        if (end == at || value < 0 || value > 1000000) {
            fprintf(stderr, "simulate: the stand-in answered '%.*s'; expected 15 whole numbers from 0 on: 12 wipers "
                            "in mV, supply in mV, two currents in mA\n", (int)strcspn(line, "\n"), line);
            exit(2);
        }
        *to[i] = (uint32_t)value;
        at = end;
    }
}

static void every_ms(void)
{
    if (avr->cycle < next_ms) return;
    next_ms += MS_CYCLES;
    if (to_child) ask_child();
}

static void run_until(avr_cycle_count_t end)
{
    while (avr->cycle < end && !quitting) {
        int state = avr_run(avr);
        if (state == cpu_Done || state == cpu_Crashed) fail("the firmware crashed", "see the log above");
        every_ms();
    }
}

/* An input is driven from outside, whatever the firmware's pull-up says. */
static void drive(char port, uint8_t pin, avr_irq_t *irq, bool high)
{
    static uint8_t mask[128], value[128];
    mask[(int)port] |= (uint8_t)(1 << pin);
    value[(int)port] = (uint8_t)((value[(int)port] & ~(1 << pin)) | high << pin);
    avr_ioport_external_t e = { .name = (unsigned long)port, .mask = mask[(int)port], .value = value[(int)port] };
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &e);
    /* A reset empties the pin register, but an unchanged value is not passed on again. */
    avr_raise_irq(irq, !high);
    avr_raise_irq(irq, high);
}

/* They are not used; without this they would be looked at in every cycle. */
static void no_level_interrupts(void)
{
    for (uint8_t i = 0; i < 8; i++) avr_extint_set_strict_lvl_trig(avr, i, 0);
}

static bool pedal_pressed, stop_struck, line_low;

static void drive_all(void)
{
    drive('D', 2, pedal_pin, !pedal_pressed);
    drive('D', 3, stop_pin, stop_struck);
    drive('E', 0, line_pin, !line_low);
}

static void reset_board(void)
{
    avr_reset(avr);
    bringing = false;
    to_tail = to_head;
    from_count = 0;                      /* a frame that the reset cut is lost */
    no_level_interrupts();
    drive_all();
}

/* One command; see README.md. */
static void command(char *line)
{
    char word[16] = "";
    unsigned long long a = 0, b = 0;
    int count = sscanf(line, "%15s %llu %llu", word, &a, &b);
    if (count < 1) return;
    if (!strcmp(word, "run") && stepping) {
        run_until(avr->cycle + a * PER_US);
        printf("at %llu\n", (unsigned long long)now_us());
    } else if (!strcmp(word, "send")) {
        char *hex = line + strspn(line, " ") + 4;
        hex += strspn(hex, " ");
        for (unsigned byte; sscanf(hex, "%2x", &byte) == 1; hex += 2) queue_byte((uint8_t)byte);
    } else if (!strcmp(word, "pedal")) pedal_pressed = a, drive_all();
    else if (!strcmp(word, "stop")) stop_struck = a, drive_all();
    else if (!strcmp(word, "break")) line_low = a, drive_all();
    else if (!strcmp(word, "wiper") && a < CHANNELS) wiper_mV[a] = (uint32_t)b;
    else if (!strcmp(word, "supply")) supply_mV = (uint32_t)a;
    else if (!strcmp(word, "current") && a < 2) current_mA[a] = (uint32_t)b;
    else if (!strcmp(word, "reset")) reset_board();
    else if (!strcmp(word, "quit")) quitting = true;
    else if (!strcmp(word, "flush")) { if (edges) fflush(edges); printf("flushed\n"); }
    else printf("unknown command: %s\n", word);
}

static void step_by_commands(void)
{
    static char line[1 << 17];
    while (!quitting && fgets(line, sizeof line, stdin)) {
        command(line);
        fflush(stdout);
    }
}

static void open_terminal(const char *link)
{
    terminal = posix_openpt(O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (terminal < 0 || grantpt(terminal) || unlockpt(terminal)) fail("no pseudo-terminal", "close some programs");
    const char *name = ptsname(terminal);
    /* Kept open on the far side too: otherwise reads fail whenever no host has it open. */
    int far = open(name, O_RDWR | O_NOCTTY);
    struct termios raw;
    tcgetattr(far, &raw);
    cfmakeraw(&raw);
    tcsetattr(far, TCSANOW, &raw);
    if (link) {
        char other[4096];
        snprintf(other, sizeof other, "%s.new", link);
        unlink(other);
        if (symlink(name, other) || rename(other, link)) fail("cannot make the link", "name another place for --link");
    }
    printf("port %s\n", link ? link : name);
    fflush(stdout);
}

static void move_bytes(void)
{
    uint8_t bytes[512];
    ssize_t count;
    while (to_head - to_tail < 1024 && (count = read(terminal, bytes, sizeof bytes)) > 0)
        for (ssize_t i = 0; i < count; i++) queue_byte(bytes[i]);
    if (!from_count) return;
    count = write(terminal, from_board, from_count);
    if (count > 0) {
        memmove(from_board, from_board + count, from_count - (size_t)count);
        from_count -= (uint32_t)count;
    }
}

static double wall(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static void read_commands(void)
{
    static char line[4096];
    static size_t used;
    static bool closed;
    struct pollfd p = { .fd = 0, .events = POLLIN };
    if (closed || poll(&p, 1, 0) <= 0) return;
    ssize_t count = read(0, line + used, sizeof line - 1 - used);
    if (count <= 0) {
        closed = true;
        return;
    }
    used += (size_t)count;
    line[used] = 0;
    for (char *end; (end = strchr(line, '\n'));) {
        *end = 0;
        command(line);
        used -= (size_t)(end + 1 - line);
        memmove(line, end + 1, used + 1);
    }
    if (used == sizeof line - 1) used = 0;
    fflush(stdout);
}

static void on_signal(int which)
{
    (void)which;
    quitting = true;
}

/* As fast as the clock on the wall, in steps of a millisecond. */
static void run_live(double speed)
{
    double began = wall();
    avr_cycle_count_t begin_cycle = avr->cycle;
    while (!quitting) {
        run_until(avr->cycle + MS_CYCLES);
        move_bytes();
        read_commands();
        if (speed <= 0) continue;
        double ahead = (double)(avr->cycle - begin_cycle) / HERTZ / speed - (wall() - began);
        if (ahead > 0) usleep((useconds_t)(ahead * 1e6));
        if (ahead < -0.05) {          /* too slow, or the machine slept: do not rush past heartbeats that are yet to come */
            began = wall();
            begin_cycle = avr->cycle;
        }
    }
}

static void wire(void)
{
    for (int i = 0; i <= CHANNELS; i++) {
        avr_irq_t *pin = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(output[i].port), output[i].pin);
        avr_irq_register_notify(pin, pin_moved, (void *)(intptr_t)i);
    }
    pedal_pin = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 2);
    stop_pin = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('D'), 3);
    line_pin = avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ('E'), 0);
    no_level_interrupts();
    drive_all();

    uint32_t flags = 0;
    avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
    flags &= ~(uint32_t)(AVR_UART_FLAG_POLL_SLEEP | AVR_UART_FLAG_STDIO);
    avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
    uart_in = avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUTPUT), byte_sent, NULL);

    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XON), receiver_says, NULL);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_OUT_XOFF), receiver_says, &avr);
    adc_in = avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0);
    avr_irq_register_notify(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER), conversion_begins, NULL);
    for (avr_io_t *io = avr->io_port; io; io = io->next) {
        if (!io->kind || strcmp(io->kind, "adc")) continue;
        avr_adc_t *adc = (avr_adc_t *)io;
        for (int i = 0; i < 8; i++) adc->muxmode[32 + i] = (avr_adc_mux_t)AVR_ADC_SINGLE(i);
    }
}

static void load_store(const char *path)
{
    static uint8_t bytes[4096];
    memset(bytes, 0xff, sizeof bytes);
    FILE *f = path ? fopen(path, "rb") : NULL;
    if (f) {
        if (!fread(bytes, 1, sizeof bytes, f)) memset(bytes, 0xff, sizeof bytes);
        fclose(f);
    }
    avr_eeprom_desc_t d = { .ee = bytes, .offset = 0, .size = sizeof bytes };
    avr_ioctl(avr, AVR_IOCTL_EEPROM_SET, &d);
}

static void save_store(const char *path)
{
    if (!path) return;
    static uint8_t bytes[4096];
    avr_eeprom_desc_t d = { .ee = bytes, .offset = 0, .size = sizeof bytes };
    avr_ioctl(avr, AVR_IOCTL_EEPROM_GET, &d);
    FILE *f = fopen(path, "wb");
    if (!f || fwrite(bytes, 1, sizeof bytes, f) != sizeof bytes || fclose(f)) fail("cannot write the store", path);
}

int main(int count, char **given)
{
    const char *elf = NULL, *link = NULL, *stand_in = NULL, *edge_file = NULL, *store = NULL;
    double speed = 1;
    for (int i = 1; i < count; i++) {
        bool last = i + 1 == count;
        if (!strcmp(given[i], "--step")) stepping = true;
        else if (last) fail(given[i], "an option of this name, or its value, is missing; see firmware/README.md");
        else if (!strcmp(given[i], "--elf")) elf = given[++i];
        else if (!strcmp(given[i], "--link")) link = given[++i];
        else if (!strcmp(given[i], "--stand-in")) stand_in = given[++i];
        else if (!strcmp(given[i], "--edges")) edge_file = given[++i];
        else if (!strcmp(given[i], "--eeprom")) store = given[++i];
        else if (!strcmp(given[i], "--speed")) speed = atof(given[++i]);
        else fail(given[i], "there is no such option; see firmware/README.md");
    }
    if (!elf) fail("no firmware was named", "give --elf build/handfast.elf");
    prctl(PR_SET_PDEATHSIG, SIGTERM);    /* whoever started it has died: it does not go on for ever */
    signal(SIGPIPE, SIG_IGN);
    signal(SIGTERM, on_signal);
    signal(SIGINT, on_signal);
    avr_global_logger_set(quiet_log);
    elf_firmware_t firmware = { 0 };
    if (access(elf, R_OK) || elf_read_firmware(elf, &firmware)) fail("cannot read the firmware", "run make firmware");
    avr = avr_make_mcu_by_name("atmega2560");
    if (!avr) fail("this simavr knows no atmega2560", "install the package libsimavr-dev");
    avr_init(avr);
    avr->frequency = HERTZ;
    avr_load_firmware(avr, &firmware);
    avr->frequency = HERTZ;
    avr->vcc = avr->avcc = avr->aref = 5000;
    avr->sleep = no_sleep;
    for (int i = 0; i < CHANNELS; i++) wiper_mV[i] = 2500;
    supply_mV = 6000;
    if (edge_file && !(edges = fopen(edge_file, "w"))) fail("cannot write the edges", edge_file);
    wire();
    load_store(store);
    if (stand_in) start_child(stand_in);
    double began = wall();
    if (stepping) step_by_commands();
    else {
        run_until(2 * MS_CYCLES);        /* a stand-in may take its time to start: the port is there when it answers */
        open_terminal(link);
        run_live(speed);
    }
    double took = wall() - began;
    fprintf(stderr, "simulated %.3f s in %.3f s\n", (double)avr->cycle / HERTZ, took);
    save_store(store);
    if (edges) fclose(edges);
    if (child > 0) {
        kill(-child, SIGTERM);
        waitpid(child, NULL, 0);
    }
    if (link && !stepping) unlink(link);
    return 0;
}

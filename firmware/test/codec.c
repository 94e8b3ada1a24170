/* The C codec for tests, one command per line on standard input, one line of answer each:

   crc HEX                 CRC of bytes
   cobs HEX                encoded; "uncobs HEX" decoded, or "no"
   decode board|host HEX   what a receiver says of bytes on the wire: "good TYPE SEQUENCE WIRE-MADE-ANEW", or why not
   flips board|host HEX    every copy of a good wire frame with 1 or 2 bits turned, and every truncation at either end:
                           "COPIES ACCEPTED"
   bursts board|host HEX   every copy with a burst of up to 16 bits, in either order of bits; triple: with 3 bits turned anywhere
   bodies COUNT SEED       frames of random bytes, rightly framed, with random check bytes: "FRAMES CRC-FITS ACCEPTED"
   noise COUNT SEED        random bytes, one in twelve of them 00: "FRAMES FRAMING-FITS CRC-FITS ACCEPTED" */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cobs.h"
#include "crc.h"
#include "frame.h"

static const char *const why[] = { "none", "good", "bad_framing", "bad_crc", "bad_version", "bad_type", "bad_length" };

static uint64_t state;
static uint8_t draw(void)
{
    state = state * 6364136223846793005u + 1442695040888963407u;    /* Knuth's MMIX generator */
    return (uint8_t)(state >> 56);
}

static uint16_t bytes_of(const char *hex, uint8_t *to)
{
    uint16_t count = 0;
    for (unsigned byte; sscanf(hex, "%2x", &byte) == 1; hex += 2) to[count++] = (uint8_t)byte;
    return count;
}

static void say(const uint8_t *bytes, uint16_t count)
{
    for (uint16_t i = 0; i < count; i++) printf("%02x", bytes[i]);
    putchar('\n');
}

/* Everything the receiver finds in `count` bytes, up to the first good frame whose fields are in range. */
static hf_frame_result take(const uint8_t *wire, uint16_t count, bool for_board, hf_frame *frame, bool *in_range)
{
    static hf_receiver r;
    uint8_t again[HF_LONGEST_BODY], where;
    hf_frame_result last = HF_FRAME_NONE;
    hf_receiver_start(&r);
    *in_range = false;
    for (uint16_t i = 0; i < count; i++) {
        hf_frame_result result = hf_receive(&r, wire[i], for_board, frame);
        if (result != HF_FRAME_NONE) last = result;
        if (result == HF_FRAME_GOOD && hf_recode(frame->type, frame->payload, again, &where)) {
            *in_range = true;
            return result;
        }
    }
    return last;
}

static uint8_t original[256], copy[256];
static uint16_t length;
static bool direction;
static unsigned long copies, accepted;

static void try_copy(uint16_t count)
{
    hf_frame frame;
    bool in_range;
    copies++;
    take(copy, count, direction, &frame, &in_range);
    if (in_range) accepted++;
}

static void turn(uint16_t bit) { copy[bit / 8] ^= (uint8_t)(1 << bit % 8); }

static void flips(void)
{
    uint16_t bits = (uint16_t)(8 * length);
    for (uint16_t a = 0; a < bits; a++) {
        turn(a);
        try_copy(length);
        for (uint16_t b = (uint16_t)(a + 1); b < bits; b++) {
            turn(b);
            try_copy(length);
            turn(b);
        }
        turn(a);
    }
    for (uint16_t count = 1; count + 1 < length; count++) {
        memcpy(copy, original, count);
        copy[count] = 0;                        /* cut off, then the end of a frame */
        try_copy((uint16_t)(count + 1));
        memcpy(copy, original + count, length - count);
        try_copy((uint16_t)(length - count));   /* the beginning lost */
        memcpy(copy, original, length);
    }
}

/* Low bits first, as on the line, or high bits first. */
static void bursts(bool high_first)
{
    uint16_t bits = (uint16_t)(8 * length), order = high_first ? 7 : 0;
    /* Any pattern between two turned bits, up to 16 bits long; those of 1 and 2 bits are done. */
    for (uint16_t a = 0; a + 3 <= bits; a++)
        for (uint32_t pattern = 5; pattern < 65536; pattern += 2) {
            uint16_t long_ = 0;
            for (uint32_t p = pattern; p; p >>= 1) long_++;
            if (a + long_ > bits) break;
            for (uint16_t k = 0; k < long_; k++)
                if (pattern >> k & 1) turn((uint16_t)((a + k) ^ order));
            try_copy(length);
            for (uint16_t k = 0; k < long_; k++)
                if (pattern >> k & 1) turn((uint16_t)((a + k) ^ order));
        }
}

static void triple(void)
{
    uint16_t bits = (uint16_t)(8 * length);
    for (uint16_t a = 0; a < bits; a++)
        for (uint16_t b = (uint16_t)(a + 1); b < bits; b++)
            for (uint16_t c = (uint16_t)(b + 1); c < bits; c++) {
                turn(a); turn(b); turn(c);
                try_copy(length);
                turn(a); turn(b); turn(c);
            }
}

static void bodies(unsigned long count)
{
    unsigned long fits = 0, taken = 0;
    for (unsigned long i = 0; i < count; i++) {
        uint8_t body[32], wire[40];
        uint16_t many = (uint16_t)(3 + draw() % 24);
        for (uint16_t k = 0; k < many; k++) body[k] = draw();
        uint16_t size = hf_cobs_encode(body, many, wire);
        wire[size++] = (uint8_t)((draw() & 0x3c) | 1);
        wire[size++] = (uint8_t)((draw() & 0xfc) | 1);
        wire[size++] = (uint8_t)((draw() & 0xfc) | 1);
        wire[size++] = 0;
        hf_frame frame;
        bool in_range;
        hf_frame_result result = take(wire, size, true, &frame, &in_range);
        fits += result != HF_FRAME_BAD_CRC && result != HF_FRAME_BAD_FRAMING;
        taken += in_range;
    }
    printf("%lu %lu %lu\n", count, fits, taken);
}

static void noise(unsigned long count)
{
    static hf_receiver r;
    unsigned long frames = 0, framed = 0, fits = 0, taken = 0;
    hf_receiver_start(&r);
    while (count--) {
        uint8_t byte = draw(), again[HF_LONGEST_BODY], where;
        if (byte < 21) byte = 0;
        hf_frame frame;
        hf_frame_result result = hf_receive(&r, byte, true, &frame);
        if (result == HF_FRAME_NONE) continue;
        frames++;
        framed += result != HF_FRAME_BAD_FRAMING;
        fits += result != HF_FRAME_BAD_FRAMING && result != HF_FRAME_BAD_CRC;
        taken += result == HF_FRAME_GOOD && hf_recode(frame.type, frame.payload, again, &where);
    }
    printf("%lu %lu %lu %lu\n", frames, framed, fits, taken);
}

int main(void)
{
    static char line[8192], word[16], second[4096], third[4096];
    static uint8_t bytes[4096], out[4200];
    while (fgets(line, sizeof line, stdin)) {
        second[0] = third[0] = 0;
        sscanf(line, "%15s %4095s %4095s", word, second, third);
        direction = !strcmp(second, "board");
        if (!strcmp(word, "crc")) {
            uint16_t count = bytes_of(second, bytes);
            printf("%04x\n", hf_crc(bytes, count));
        } else if (!strcmp(word, "cobs")) {
            uint16_t count = bytes_of(second, bytes);
            say(out, hf_cobs_encode(bytes, count, out));
        } else if (!strcmp(word, "uncobs")) {
            int16_t count = hf_cobs_decode(bytes, bytes_of(second, bytes));
            if (count < 0) puts("no");
            else say(bytes, (uint16_t)count);
        } else if (!strcmp(word, "decode")) {
            hf_frame frame;
            bool in_range;
            hf_frame_result result = take(bytes, bytes_of(third, bytes), direction, &frame, &in_range);
            if (result != HF_FRAME_GOOD) puts(why[result]);
            else if (!in_range) puts("range");
            else {
                uint8_t body[HF_LONGEST_BODY], where;
                hf_recode(frame.type, frame.payload, body + HF_HEAD, &where);
                printf("good %u %u ", frame.type, frame.sequence);
                say(out, hf_seal(body, frame.type, frame.sequence, (uint8_t)hf_payload_length(frame.type), out));
            }
        } else if (!strcmp(word, "flips") || !strcmp(word, "bursts") || !strcmp(word, "triple")) {
            length = bytes_of(third, original);
            memcpy(copy, original, length);
            copies = accepted = 0;
            if (word[0] == 'f') flips();
            else if (word[0] == 'b') bursts(false), bursts(true);
            else triple();
            printf("%lu %lu\n", copies, accepted);
        } else if (!strcmp(word, "bodies") || !strcmp(word, "noise")) {
            state = strtoul(third, NULL, 10);
            if (word[0] == 'b') bodies(strtoul(second, NULL, 10));
            else noise(strtoul(second, NULL, 10));
        } else {
            puts("unknown");
        }
        fflush(stdout);
    }
    return 0;
}

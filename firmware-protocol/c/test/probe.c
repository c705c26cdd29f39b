/*
 * The header at the end of a pipe, so that a test in any language can compare it with something else.
 *
 * Comes in: commands, one a line, words separated by one space; bytes in hexadecimal, `-` where there are none; times
 * in us, intervals in ns. Goes out: one line for each command. The texts are those of fixtures/wire/: fields as
 * `kind;name=value;...`, reasons of rejections, outcomes of a piece of line.
 *
 *   device HEX | host HEX        a body: `accepted FIELDS HEX-ENCODED-AGAIN` or `rejected REASON`
 *   frame HEX                    the frame of a body
 *   line HEX                     each frame of a line's bytes: `body HEX` or `fault KIND`, separated by `;`
 *   twos HEX | offset HEX        a 24-bit code: `COUNTS SATURATED`
 *   most CHANNELS                most samples in a frame
 *   new CHANNELS INTERVAL NOW    a board begins; `1` or `0` as force_board_init says
 *   receive HEX NOW | poll NOW | sample NOW SATURATED COUNT... | interval NS | condition MV CENTIKELVIN
 *   take MOST                    what the port took then, at most so many bytes
 *   give_up                      force_board_not_sent, where there is something to give up
 *   state                        `STREAMING IDLE PRODUCED DROPPED WANTED_INTERVAL`
 */
#include "finger_force.h"

#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define WORDS 400

static const char digits[] = "0123456789abcdef";
static char line_text[1u << 20];
static uint8_t bytes[sizeof line_text / 2];
static struct force_board board;

static void fail(const char *what) {
    fprintf(stderr, "probe: %s\n", what);
    exit(2);
}

static size_t read_hex(const char *hex) {
    size_t size = strcmp(hex, "-") == 0 ? 0 : strlen(hex) / 2;
    for (size_t at = 0; at < size; at++) {
        const char *high = strchr(digits, hex[2 * at]);
        const char *low = strchr(digits, hex[2 * at + 1]);
        if (high == NULL || low == NULL) fail("no hexadecimal bytes");
        bytes[at] = (uint8_t)((high - digits) << 4 | (low - digits));
    }
    return size;
}

static void print_hex(const uint8_t *from, size_t size) {
    for (size_t at = 0; at < size; at++) {
        putchar(digits[from[at] >> 4]);
        putchar(digits[from[at] & 15u]);
    }
}

static void print_reason(enum force_fault fault, const uint8_t *body) {
    static const char *const fields[] = {
        "serial",       "firmware",       "interval_ns", "device_time_us", "channels", "rated_counts",
        "rated_force_mn", "direction", "status",      "samples",        "first_sample", "next_sample",
        "streaming"};
    switch (fault) {
    case FORCE_EMPTY: printf("empty"); break;
    case FORCE_UNKNOWN_KIND: printf("unknown kind %u", body[0]); break;
    case FORCE_OTHER_VERSION: printf("other version %u", body[1]); break;
    case FORCE_LENGTH: printf("length"); break;
    default: printf("field %s", fields[fault - FORCE_BAD_SERIAL]); break;
    }
}

static void print_identity(const struct force_identity *identity) {
    printf(
        "identity;protocol_version=%u;boot_id=%" PRIu32 ";serial=%s;firmware=%s;interval_ns=%" PRIu32
        ";group_delay_ns=%" PRIu32 ";bandwidth_millihertz=%" PRIu32 ";settling_ns=%" PRIu32 ";device_time_us=%" PRIu64
        ";channels=%u",
        identity->protocol_version, identity->boot_id, identity->serial, identity->firmware, identity->interval_ns,
        identity->group_delay_ns, identity->bandwidth_millihertz, identity->settling_ns, identity->device_time_us,
        identity->channels);
    for (unsigned at = 0; at < identity->channels; at++) {
        const struct force_channel *channel = &identity->channel[at];
        printf(
            ";zero_counts=%" PRId32 ";rated_counts=%" PRId32 ";rated_force_mn=%" PRIu32 ";direction=%u",
            channel->zero_counts, channel->rated_counts, channel->rated_force_mn, channel->direction);
    }
}

static void print_samples(const struct force_samples *samples) {
    printf(
        "samples;boot_id=%" PRIu32 ";sequence=%" PRIu32 ";first_sample=%" PRIu64 ";device_time_us=%" PRIu64
        ";interval_ns=%" PRIu32 ";status=%u;channels=%u;samples=%u;counts=",
        samples->boot_id, samples->sequence, samples->first_sample, samples->device_time_us, samples->interval_ns,
        samples->status, samples->channels, samples->samples);
    for (unsigned sample = 0; sample < samples->samples; sample++) {
        for (unsigned channel = 0; channel < samples->channels; channel++) {
            const char *separator = sample + channel == 0 ? "" : " ";
            printf("%s%" PRId32, separator, force_samples_count(samples, sample, channel));
        }
    }
}

static void print_known(const char *name, uint16_t value) {
    if (value == FORCE_UNKNOWN) {
        printf(";%s=unknown", name);
    } else {
        printf(";%s=%u", name, value);
    }
}

static void print_condition(const struct force_condition *condition) {
    printf(
        "condition;boot_id=%" PRIu32 ";device_time_us=%" PRIu64 ";next_sample=%" PRIu64 ";streaming=%u",
        condition->boot_id, condition->device_time_us, condition->next_sample, condition->streaming);
    print_known("supply_mv", condition->supply_mv);
    print_known("temperature_centikelvin", condition->temperature_centikelvin);
}

static void print_device(const struct force_device_message *message) {
    const struct force_pong *pong = &message->as.pong;
    switch (message->kind) {
    case FORCE_IDENTITY: print_identity(&message->as.identity); break;
    case FORCE_SAMPLES: print_samples(&message->as.samples); break;
    case FORCE_CONDITION: print_condition(&message->as.condition); break;
    default:
        printf(
            "pong;boot_id=%" PRIu32 ";token=%" PRIu32 ";device_time_us=%" PRIu64, pong->boot_id, pong->token,
            pong->device_time_us);
        break;
    }
}

static void print_host(const struct force_host_message *message) {
    switch (message->kind) {
    case FORCE_IDENTIFY: printf("identify"); break;
    case FORCE_START: printf("start"); break;
    case FORCE_STOP: printf("stop"); break;
    case FORCE_SET_INTERVAL: printf("set_interval;interval_ns=%" PRIu32, message->value); break;
    default: printf("ping;token=%" PRIu32, message->value); break;
    }
}

/* `body` is on the heap, exactly as long as it is: the sanitizer sees every byte that is read behind it. */
static void decode(bool from_device, const uint8_t *body, size_t size) {
    static struct force_device_message device;
    struct force_host_message host;
    uint8_t again[FORCE_MAX_MESSAGE];
    size_t length = 0;
    enum force_fault fault =
        from_device ? force_device_decode(body, size, &device) : force_host_decode(body, size, &host);
    if (fault != FORCE_OK) {
        printf("rejected ");
        print_reason(fault, body);
        return;
    }
    printf("accepted ");
    if (from_device) {
        print_device(&device);
        length = force_device_encode(&device, again, size);
        if (force_device_encode(&device, again, size - 1) != 0) fail("encoded into too little room");
    } else {
        print_host(&host);
        length = force_host_encode(&host, again, size);
        if (force_host_encode(&host, again, size - 1) != 0) fail("encoded into too little room");
    }
    printf(" ");
    print_hex(again, length);
}

static void decode_hex(bool from_device, const char *hex) {
    size_t size = read_hex(hex);
    uint8_t *body = malloc(size + (size == 0));
    if (body == NULL) fail("no memory");
    memcpy(body, bytes, size);
    decode(from_device, body, size);
    free(body);
}

static void frame(const char *hex) {
    uint8_t out[FORCE_MAX_FRAME];
    size_t size = read_hex(hex);
    size_t length = force_frame_encode(bytes, size, out, sizeof out);
    if (length != 0) {
        uint8_t *exactly = malloc(length);
        if (exactly == NULL) fail("no memory");
        if (force_frame_encode(bytes, size, exactly, length) != length) fail("no frame in just enough room");
        if (force_frame_encode(bytes, size, exactly, length - 1) != 0) fail("a frame in too little room");
        free(exactly);
    }
    print_hex(out, length);
}

static void read_line(const char *hex) {
    static uint8_t body[FORCE_MAX_BODY];
    static const char *const faults[] = {"malformed", "short", "checksum", "overlong"};
    struct force_decoder decoder = {0, 0, false, false, false};
    const char *separator = "";
    size_t size = read_hex(hex);
    for (size_t at = 0; at < size; at++) {
        enum force_event event = force_decoder_feed(&decoder, body, sizeof body, bytes[at]);
        if (event == FORCE_NOTHING) continue;
        printf("%s", separator);
        separator = ";";
        if (event == FORCE_BODY) {
            printf("body ");
            print_hex(body, decoder.length);
        } else {
            printf("fault %s", faults[event - FORCE_MALFORMED]);
        }
    }
}

static uint64_t number(const char *word) { return strtoull(word, NULL, 10); }

static void new_board(const char *const *words) {
    struct force_identity identity;
    memset(&identity, 0, sizeof identity);
    strcpy(identity.serial, "T-1");
    strcpy(identity.firmware, "test");
    identity.boot_id = 0xB007;
    identity.channels = (uint8_t)number(words[1]);
    identity.interval_ns = (uint32_t)number(words[2]);
    for (unsigned at = 0; at < FORCE_MAX_CHANNELS; at++) {
        identity.channel[at].rated_counts = 1000000;
        identity.channel[at].rated_force_mn = 100000;
        identity.channel[at].direction = FORCE_BOTH;
    }
    printf("%d", force_board_init(&board, &identity, number(words[3])));
}

static void sample(const char *const *words, size_t count) {
    int32_t counts[WORDS];
    for (size_t at = 3; at < count; at++) {
        counts[at - 3] = (int32_t)strtol(words[at], NULL, 10);
    }
    force_board_sample(&board, counts, count - 3, number(words[2]) != 0, number(words[1]));
}

static void take(size_t most) {
    size_t size = 0;
    const uint8_t *rest = force_board_transmit(&board, &size);
    if (rest != NULL) {
        size = size < most ? size : most;
        print_hex(rest, size);
        force_board_advance(&board, size);
    }
}

static void give_up(void) {
    size_t size = 0;
    if (force_board_transmit(&board, &size) != NULL) force_board_not_sent(&board);
}

static void state(void) {
    printf(
        "%d %d %" PRIu64 " %" PRIu64 " %" PRIu32, force_board_streaming(&board), force_board_idle(&board),
        board.produced, board.dropped, force_board_wanted_interval_ns(&board));
}

static void code(bool offset_binary, const char *hex) {
    uint32_t raw = (uint32_t)strtoul(hex, NULL, 16);
    int32_t counts = offset_binary ? force_code_offset_binary(raw) : force_code_twos_complement(raw);
    printf("%" PRId32 " %d", counts, force_code_saturated(counts));
}

static void obey(const char *const *words, size_t count) {
    const char *command = words[0];
    if (strcmp(command, "device") == 0 && count == 2) decode_hex(true, words[1]);
    else if (strcmp(command, "host") == 0 && count == 2) decode_hex(false, words[1]);
    else if (strcmp(command, "frame") == 0 && count == 2) frame(words[1]);
    else if (strcmp(command, "line") == 0 && count == 2) read_line(words[1]);
    else if (strcmp(command, "twos") == 0 && count == 2) code(false, words[1]);
    else if (strcmp(command, "offset") == 0 && count == 2) code(true, words[1]);
    else if (strcmp(command, "most") == 0 && count == 2)
        printf("%u", force_samples_that_fit((uint8_t)number(words[1]), FORCE_MAX_MESSAGE));
    else if (strcmp(command, "new") == 0 && count == 4) new_board(words);
    else if (strcmp(command, "receive") == 0 && count == 3)
        force_board_receive(&board, bytes, read_hex(words[1]), number(words[2]));
    else if (strcmp(command, "poll") == 0 && count == 2) force_board_poll(&board, number(words[1]));
    else if (strcmp(command, "sample") == 0 && count >= 3) sample(words, count);
    else if (strcmp(command, "interval") == 0 && count == 2)
        force_board_set_interval(&board, (uint32_t)number(words[1]));
    else if (strcmp(command, "condition") == 0 && count == 3)
        force_board_set_condition(&board, (uint16_t)number(words[1]), (uint16_t)number(words[2]));
    else if (strcmp(command, "take") == 0 && count == 2) take((size_t)number(words[1]));
    else if (strcmp(command, "give_up") == 0 && count == 1) give_up();
    else if (strcmp(command, "state") == 0 && count == 1) state();
    else fail("no such command");
}

int main(void) {
    while (fgets(line_text, sizeof line_text, stdin) != NULL) {
        const char *words[WORDS];
        size_t count = 0;
        for (char *word = strtok(line_text, " \n"); word != NULL && count < WORDS; word = strtok(NULL, " \n")) {
            words[count++] = word;
        }
        if (count == 0) fail("an empty line");
        obey(words, count);
        printf("\n");
        fflush(stdout);
    }
    return 0;
}

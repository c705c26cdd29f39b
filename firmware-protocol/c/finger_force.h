/*
 * The wire between a force sensor's board and its host, for boards that are programmed in C or C++.
 *
 * Comes in: bytes from a serial line, converter readings (counts), the board's clock (us since boot). Goes out: encoded
 * frames, or decoded messages. Units stand in the names. Written from SPECIFICATION.md beside this folder, which says
 * what each field means; where a comment here says "specification" it is that page.
 *
 * One header, C99, no allocation, no library: <stdbool.h>, <stddef.h> and <stdint.h> only, which every compiler brings
 * without a C library. Nothing here waits, and nothing depends on the machine's byte order or alignment. What a peer
 * sends can neither make it write outside its buffers nor loop.
 *
 * A board needs the last part only, `struct force_board`; example/ shows it at work. The parts:
 *   numbers, bytes, checksum | frames | messages of the device | messages of the host | 24-bit codes | the board
 */
#ifndef FINGER_FORCE_H
#define FINGER_FORCE_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* ------------------------------------------------------------------------------------------------------- numbers */

#define FORCE_PROTOCOL_VERSION 1u
#define FORCE_MAX_BODY 1024u    /* longest decoded frame: body and checksum, bytes */
#define FORCE_MAX_MESSAGE 1020u /* longest body, bytes */
#define FORCE_MAX_FRAME 1030u   /* longest encoded frame with its delimiter, bytes */
#define FORCE_MAX_CHANNELS 8u
#define FORCE_FRAME_US 20000ul      /* a samples frame holds no more than this, or one sample */
#define FORCE_CONDITION_US 1000000ul /* while streaming, a condition is sent this often */
#define FORCE_MAX_U64 INT64_MAX     /* largest value of every 64-bit field */
#define FORCE_TEXT 16u              /* most characters of a text */
#define FORCE_UNKNOWN UINT16_MAX    /* a supply or temperature that is not measured */
#define FORCE_DELIMITER 0u

#define FORCE_CHECKSUM 4u
#define FORCE_HOST_MESSAGE 5u     /* longest body that a host sends */
#define FORCE_IDENTITY_HEADER 63u /* an identity without its channels, bytes */
#define FORCE_CHANNEL 13u         /* one channel of an identity */
#define FORCE_SAMPLES_HEADER 32u  /* a samples message without its counts */

/* First byte of a body. */
enum force_kind {
    FORCE_IDENTITY = 0x01,
    FORCE_SAMPLES = 0x02,
    FORCE_CONDITION = 0x03,
    FORCE_PONG = 0x04,
    FORCE_IDENTIFY = 0x81,
    FORCE_START = 0x82,
    FORCE_STOP = 0x83,
    FORCE_SET_INTERVAL = 0x84,
    FORCE_PING = 0x85
};

/* Bits of a samples frame's status. */
enum force_status { FORCE_SATURATED = 1, FORCE_OVERRUN = 2 };

/* How a channel can be loaded. */
enum force_direction { FORCE_COMPRESSION = 0, FORCE_TENSION = 1, FORCE_BOTH = 2 };

/* Why a body is not a message, or a message is not sent. From FORCE_BAD_SERIAL on: the field that has a value which is
 * not allowed. */
enum force_fault {
    FORCE_OK = 0,
    FORCE_EMPTY,
    FORCE_UNKNOWN_KIND,
    FORCE_OTHER_VERSION,
    FORCE_LENGTH,
    FORCE_BAD_SERIAL,
    FORCE_BAD_FIRMWARE,
    FORCE_BAD_INTERVAL_NS,
    FORCE_BAD_DEVICE_TIME_US,
    FORCE_BAD_CHANNELS,
    FORCE_BAD_RATED_COUNTS,
    FORCE_BAD_RATED_FORCE_MN,
    FORCE_BAD_DIRECTION,
    FORCE_BAD_STATUS,
    FORCE_BAD_SAMPLES,
    FORCE_BAD_FIRST_SAMPLE,
    FORCE_BAD_NEXT_SAMPLE,
    FORCE_BAD_STREAMING
};

/* --------------------------------------------------------------------------------------------------------- bytes */

/* Little-endian fields taken one after the other from a body; `good` turns false where it is too short. */
struct force_reader {
    const uint8_t *bytes;
    size_t left;
    bool good;
};

static inline uint64_t force_take(struct force_reader *reader, size_t size) {
    uint64_t value = 0;
    if (reader->left < size) {
        reader->good = false;
        reader->left = 0;
        return 0;
    }
    for (size_t at = 0; at < size; at++) {
        value |= (uint64_t)reader->bytes[at] << (8u * at);
    }
    reader->bytes += size;
    reader->left -= size;
    return value;
}

static inline uint8_t force_take_u8(struct force_reader *reader) { return (uint8_t)force_take(reader, 1); }
static inline uint16_t force_take_u16(struct force_reader *reader) { return (uint16_t)force_take(reader, 2); }
static inline uint32_t force_take_u32(struct force_reader *reader) { return (uint32_t)force_take(reader, 4); }
static inline uint64_t force_take_u64(struct force_reader *reader) { return force_take(reader, 8); }

/* Two's complement without a conversion that the compiler would have to define. */
static inline int32_t force_signed(uint32_t value) {
    return value <= (uint32_t)INT32_MAX ? (int32_t)value : -(int32_t)(UINT32_MAX - value) - 1;
}

static inline int32_t force_take_i32(struct force_reader *reader) { return force_signed(force_take_u32(reader)); }

/* Little-endian fields put one after the other into a buffer that is large enough. */
static inline uint8_t *force_put(uint8_t *out, uint64_t value, size_t size) {
    for (size_t at = 0; at < size; at++) {
        *out++ = (uint8_t)(value >> (8u * at));
    }
    return out;
}

/* From the lowest address on: `to` may overlap `from` where it lies before it. */
static inline void force_copy(uint8_t *to, const uint8_t *from, size_t size) {
    for (size_t at = 0; at < size; at++) {
        to[at] = from[at];
    }
}

/* CRC-32/ISO-HDLC, half a byte at a time: a table of 64 bytes instead of 1024. */
static inline uint32_t force_checksum(const uint8_t *bytes, size_t size) {
    static const uint32_t halves[16] = {
        0x00000000u, 0x1DB71064u, 0x3B6E20C8u, 0x26D930ACu, 0x76DC4190u, 0x6B6B51F4u, 0x4DB26158u, 0x5005713Cu,
        0xEDB88320u, 0xF00F9344u, 0xD6D6A3E8u, 0xCB61B38Cu, 0x9B64C2B0u, 0x86D3D2D4u, 0xA00AE278u, 0xBDBDF21Cu};
    uint32_t crc = UINT32_MAX;
    for (size_t at = 0; at < size; at++) {
        crc ^= bytes[at];
        crc = (crc >> 4) ^ halves[crc & 15u];
        crc = (crc >> 4) ^ halves[crc & 15u];
    }
    return ~crc;
}

/* -------------------------------------------------------------------------------------------------------- frames */

/* Code bytes that stuffing `size` bytes can take. */
#define FORCE_CODES(size) (1u + (size) / 254u)
/* A body of `size` bytes may lie in the output of force_frame_encode, at this index or behind it. */
#define FORCE_BODY_AT(size) FORCE_CODES((size) + FORCE_CHECKSUM)
/* Room for a frame that is encoded in place: more than it takes in the end. */
#define FORCE_FRAME_ROOM(size) (FORCE_BODY_AT(size) + (size) + FORCE_CHECKSUM + 1u)

/* Where stuffed bytes go. */
struct force_stuffer {
    uint8_t *out;
    size_t capacity;
    size_t code_at; /* the code byte of the block that is being filled */
    size_t next;
};

static inline void force_store(struct force_stuffer *stuffer, size_t at, uint8_t byte) {
    if (at < stuffer->capacity) {
        stuffer->out[at] = byte;
    }
}

static inline void force_end_block(struct force_stuffer *stuffer) {
    force_store(stuffer, stuffer->code_at, (uint8_t)(stuffer->next - stuffer->code_at));
    stuffer->code_at = stuffer->next++;
}

static inline void force_stuff(struct force_stuffer *stuffer, uint8_t byte) {
    if (stuffer->next - stuffer->code_at == 255u) {
        force_end_block(stuffer); /* 254 bytes stand in it: as many as a block holds */
    }
    if (byte == 0) {
        force_end_block(stuffer);
    } else {
        force_store(stuffer, stuffer->next++, byte);
    }
}

/* Encodes one frame: body, checksum, stuffing, delimiter. The length, or 0 where the body is longer than
 * FORCE_MAX_MESSAGE or the frame than `capacity`; FORCE_MAX_FRAME bytes are always enough. */
static inline size_t force_frame_encode(const uint8_t *body, size_t size, uint8_t *out, size_t capacity) {
    struct force_stuffer stuffer = {out, capacity, 0, 1};
    uint32_t checksum = 0;
    if (size > FORCE_MAX_MESSAGE) {
        return 0;
    }
    checksum = force_checksum(body, size);
    for (size_t at = 0; at < size; at++) {
        force_stuff(&stuffer, body[at]);
    }
    for (unsigned at = 0; at < FORCE_CHECKSUM; at++) {
        force_stuff(&stuffer, (uint8_t)(checksum >> (8u * at)));
    }
    if (stuffer.next >= capacity) {
        return 0;
    }
    out[stuffer.code_at] = (uint8_t)(stuffer.next - stuffer.code_at);
    out[stuffer.next] = FORCE_DELIMITER;
    return stuffer.next + 1u;
}

/* What one more byte of the line brought. */
enum force_event {
    FORCE_NOTHING,   /* no frame has ended */
    FORCE_BODY,      /* a frame's body, `length` bytes of the buffer, until the next byte is fed */
    FORCE_MALFORMED, /* a code byte promised more bytes than came */
    FORCE_SHORT,     /* too short for a message and its checksum */
    FORCE_WRONG_SUM, /* the checksum does not belong to the body */
    FORCE_OVERLONG   /* more decoded bytes than the buffer holds: told at its delimiter */
};

/* Takes frames out of a line's bytes. Begin with zeros: `struct force_decoder decoder = {0};` */
struct force_decoder {
    size_t length;     /* decoded so far; after FORCE_BODY the length of the body */
    uint8_t remaining; /* bytes that the current block still promises */
    bool inside;       /* bytes came since the last delimiter */
    bool zero_due;     /* the last code byte stands for a zero, if more follows */
    bool discarding;   /* overlong: everything up to the delimiter is dropped */
};

static inline void force_decoded(
    struct force_decoder *decoder, uint8_t *buffer, size_t capacity, uint8_t byte) {
    if (decoder->length < capacity) {
        buffer[decoder->length++] = byte;
    } else {
        decoder->discarding = true;
    }
}

static inline enum force_event force_frame_end(struct force_decoder *decoder, const uint8_t *buffer) {
    struct force_reader sum = {buffer, FORCE_CHECKSUM, true};
    if (decoder->remaining != 0) {
        return FORCE_MALFORMED;
    }
    if (decoder->length <= FORCE_CHECKSUM) {
        return FORCE_SHORT;
    }
    decoder->length -= FORCE_CHECKSUM;
    sum.bytes += decoder->length;
    return force_take_u32(&sum) == force_checksum(buffer, decoder->length) ? FORCE_BODY : FORCE_WRONG_SUM;
}

/* Takes one byte of the line. `buffer` is the same at every call and belongs to the decoder; a host needs
 * FORCE_MAX_BODY bytes, a board FORCE_HOST_MESSAGE + FORCE_CHECKSUM. */
static inline enum force_event force_decoder_feed(
    struct force_decoder *decoder, uint8_t *buffer, size_t capacity, uint8_t byte) {
    static const struct force_decoder idle = {0, 0, false, false, false};
    if (byte == FORCE_DELIMITER) {
        enum force_event event = FORCE_NOTHING; /* delimiters in a row mean nothing */
        size_t body = 0;
        if (decoder->discarding) {
            event = FORCE_OVERLONG;
        } else if (decoder->inside) {
            event = force_frame_end(decoder, buffer);
            body = decoder->length;
        }
        *decoder = idle;
        decoder->length = body;
        return event;
    }
    if (decoder->discarding) {
        return FORCE_NOTHING;
    }
    if (!decoder->inside) {
        decoder->inside = true;
        decoder->length = 0;
    }
    if (decoder->remaining != 0) {
        decoder->remaining--;
        force_decoded(decoder, buffer, capacity, byte);
        return FORCE_NOTHING;
    }
    if (decoder->zero_due) {
        force_decoded(decoder, buffer, capacity, 0);
    }
    decoder->remaining = (uint8_t)(byte - 1u);
    decoder->zero_due = byte != 0xFFu;
    return FORCE_NOTHING;
}

/* ------------------------------------------------------------------------------------------ messages of the device */

/* What a channel's counts mean until the host has a calibration. */
struct force_channel {
    int32_t zero_counts;
    int32_t rated_counts; /* not 0; negative where counts fall as force grows */
    uint32_t rated_force_mn;
    uint8_t direction; /* enum force_direction */
};

struct force_identity {
    uint8_t protocol_version;
    uint32_t boot_id;
    char serial[FORCE_TEXT + 1u]; /* 1 to 16 characters from space to ~, then zeros */
    char firmware[FORCE_TEXT + 1u];
    uint32_t interval_ns;
    uint32_t group_delay_ns;
    uint32_t bandwidth_millihertz;
    uint32_t settling_ns;
    uint64_t device_time_us;
    uint8_t channels;
    struct force_channel channel[FORCE_MAX_CHANNELS];
};

struct force_samples {
    uint32_t boot_id;
    uint32_t sequence;
    uint64_t first_sample;
    uint64_t device_time_us;
    uint32_t interval_ns;
    uint8_t status; /* enum force_status */
    uint8_t channels;
    uint8_t samples;
    const uint8_t *counts_le; /* as they travel; force_samples_count reads them */
};

struct force_condition {
    uint32_t boot_id;
    uint64_t device_time_us;
    uint64_t next_sample;
    uint8_t streaming;
    uint16_t supply_mv;               /* or FORCE_UNKNOWN */
    uint16_t temperature_centikelvin; /* or FORCE_UNKNOWN */
};

struct force_pong {
    uint32_t boot_id;
    uint32_t token;
    uint64_t device_time_us;
};

struct force_device_message {
    uint8_t kind; /* says which of these it is */
    union {
        struct force_identity identity;
        struct force_samples samples;
        struct force_condition condition;
        struct force_pong pong;
    } as;
};

/* Most samples of so many channels that fit into a body of `size` bytes; 0 where no sample does. */
static inline uint8_t force_samples_that_fit(uint8_t channels, size_t size) {
    size_t counts = size < FORCE_SAMPLES_HEADER ? 0 : (size - FORCE_SAMPLES_HEADER) / 4u;
    size_t most = channels == 0 || channels > FORCE_MAX_CHANNELS ? 0 : counts / channels;
    return (uint8_t)(most < 255u ? most : 255u);
}

/* The count of a sample (from 0) on a channel (from 0); both must be in the message. */
static inline int32_t force_samples_count(const struct force_samples *samples, unsigned sample, unsigned channel) {
    size_t at = 4u * ((size_t)sample * samples->channels + channel);
    struct force_reader reader = {samples->counts_le + at, 4u, true};
    return force_take_i32(&reader);
}

static inline bool force_time_allowed(uint64_t value) { return value <= (uint64_t)FORCE_MAX_U64; }

/* Sixteen bytes of text, as they travel. */
static inline bool force_text_allowed(const char *text) {
    size_t length = 0;
    while (length < FORCE_TEXT && text[length] >= 0x20 && text[length] <= 0x7E) {
        length++;
    }
    for (size_t at = length; at < FORCE_TEXT; at++) {
        if (text[at] != 0) {
            return false;
        }
    }
    return length > 0;
}

static inline enum force_fault force_identity_check(const struct force_identity *identity) {
    if (!force_text_allowed(identity->serial)) return FORCE_BAD_SERIAL;
    if (!force_text_allowed(identity->firmware)) return FORCE_BAD_FIRMWARE;
    if (identity->channels == 0 || identity->channels > FORCE_MAX_CHANNELS) return FORCE_BAD_CHANNELS;
    for (size_t at = 0; at < identity->channels; at++) {
        const struct force_channel *channel = &identity->channel[at];
        if (channel->direction > FORCE_BOTH) return FORCE_BAD_DIRECTION;
        if (channel->rated_counts == 0) return FORCE_BAD_RATED_COUNTS;
        if (channel->rated_force_mn == 0) return FORCE_BAD_RATED_FORCE_MN;
    }
    if (identity->interval_ns == 0) return FORCE_BAD_INTERVAL_NS;
    return force_time_allowed(identity->device_time_us) ? FORCE_OK : FORCE_BAD_DEVICE_TIME_US;
}

static inline enum force_fault force_samples_check(const struct force_samples *samples) {
    uint8_t most = force_samples_that_fit(samples->channels, FORCE_MAX_MESSAGE);
    uint64_t room = (uint64_t)FORCE_MAX_U64 - samples->samples;
    if (samples->first_sample > room) return FORCE_BAD_FIRST_SAMPLE;
    if (!force_time_allowed(samples->device_time_us)) return FORCE_BAD_DEVICE_TIME_US;
    if (samples->interval_ns == 0) return FORCE_BAD_INTERVAL_NS;
    if (samples->status > (FORCE_SATURATED | FORCE_OVERRUN)) return FORCE_BAD_STATUS;
    if (most == 0) return FORCE_BAD_CHANNELS;
    return samples->samples == 0 || samples->samples > most ? FORCE_BAD_SAMPLES : FORCE_OK;
}

static inline enum force_fault force_condition_check(const struct force_condition *condition) {
    if (condition->streaming > 1u) return FORCE_BAD_STREAMING;
    if (!force_time_allowed(condition->device_time_us)) return FORCE_BAD_DEVICE_TIME_US;
    return force_time_allowed(condition->next_sample) ? FORCE_OK : FORCE_BAD_NEXT_SAMPLE;
}

static inline enum force_fault force_pong_check(const struct force_pong *pong) {
    return force_time_allowed(pong->device_time_us) ? FORCE_OK : FORCE_BAD_DEVICE_TIME_US;
}

static inline void force_take_text(struct force_reader *reader, char *text) {
    for (size_t at = 0; at < FORCE_TEXT; at++) {
        /* Above 7Eh nothing is allowed: 7Fh stands for all of it, whatever a char can hold. */
        uint8_t byte = force_take_u8(reader);
        text[at] = (char)(byte < 0x7Fu ? byte : 0x7Fu);
    }
    text[FORCE_TEXT] = 0;
}

/* What the fields say is looked at before what is missing behind them: the first thing wrong is named. */
static inline enum force_fault force_ended(const struct force_reader *reader, enum force_fault fault) {
    return reader->good && reader->left == 0 ? fault : FORCE_LENGTH;
}

static inline enum force_fault force_identity_decode(struct force_reader *reader, struct force_identity *identity) {
    identity->protocol_version = force_take_u8(reader);
    if (reader->good && identity->protocol_version != FORCE_PROTOCOL_VERSION) {
        return FORCE_OTHER_VERSION; /* nothing behind it can be understood */
    }
    identity->boot_id = force_take_u32(reader);
    force_take_text(reader, identity->serial);
    force_take_text(reader, identity->firmware);
    identity->interval_ns = force_take_u32(reader);
    identity->group_delay_ns = force_take_u32(reader);
    identity->bandwidth_millihertz = force_take_u32(reader);
    identity->settling_ns = force_take_u32(reader);
    identity->device_time_us = force_take_u64(reader);
    identity->channels = force_take_u8(reader);
    if (reader->good && (identity->channels == 0 || identity->channels > FORCE_MAX_CHANNELS)) {
        return FORCE_BAD_CHANNELS;
    }
    for (size_t at = 0; at < identity->channels && reader->good; at++) {
        struct force_channel *channel = &identity->channel[at];
        channel->zero_counts = force_take_i32(reader);
        channel->rated_counts = force_take_i32(reader);
        channel->rated_force_mn = force_take_u32(reader);
        channel->direction = force_take_u8(reader);
    }
    return reader->good ? force_ended(reader, force_identity_check(identity)) : FORCE_LENGTH;
}

static inline enum force_fault force_samples_decode(struct force_reader *reader, struct force_samples *samples) {
    enum force_fault fault = FORCE_OK;
    samples->boot_id = force_take_u32(reader);
    samples->sequence = force_take_u32(reader);
    samples->first_sample = force_take_u64(reader);
    samples->device_time_us = force_take_u64(reader);
    samples->interval_ns = force_take_u32(reader);
    samples->status = force_take_u8(reader);
    samples->channels = force_take_u8(reader);
    samples->samples = force_take_u8(reader);
    samples->counts_le = reader->bytes;
    fault = reader->good ? force_samples_check(samples) : FORCE_LENGTH;
    if (fault != FORCE_OK) {
        return fault;
    }
    return reader->left == 4u * (size_t)samples->channels * samples->samples ? FORCE_OK : FORCE_LENGTH;
}

static inline enum force_fault force_condition_decode(
    struct force_reader *reader, struct force_condition *condition) {
    condition->boot_id = force_take_u32(reader);
    condition->device_time_us = force_take_u64(reader);
    condition->next_sample = force_take_u64(reader);
    condition->streaming = force_take_u8(reader);
    condition->supply_mv = force_take_u16(reader);
    condition->temperature_centikelvin = force_take_u16(reader);
    return force_ended(reader, force_condition_check(condition));
}

static inline enum force_fault force_pong_decode(struct force_reader *reader, struct force_pong *pong) {
    pong->boot_id = force_take_u32(reader);
    pong->token = force_take_u32(reader);
    pong->device_time_us = force_take_u64(reader);
    return force_ended(reader, force_pong_check(pong));
}

/* Reads the body of a frame from a device. Of samples, `counts_le` points into the body. */
static inline enum force_fault force_device_decode(
    const uint8_t *body, size_t size, struct force_device_message *message) {
    struct force_reader reader = {body, size, true};
    if (size == 0) {
        return FORCE_EMPTY;
    }
    message->kind = force_take_u8(&reader);
    switch (message->kind) {
    case FORCE_IDENTITY: return force_identity_decode(&reader, &message->as.identity);
    case FORCE_SAMPLES: return force_samples_decode(&reader, &message->as.samples);
    case FORCE_CONDITION: return force_condition_decode(&reader, &message->as.condition);
    case FORCE_PONG: return force_pong_decode(&reader, &message->as.pong);
    default: return FORCE_UNKNOWN_KIND;
    }
}

/* The encoders give the body's length, or 0 where the message is not allowed or longer than `capacity`. */

static inline size_t force_identity_encode(const struct force_identity *identity, uint8_t *out, size_t capacity) {
    uint8_t *next = out;
    if (force_identity_check(identity) != FORCE_OK
        || capacity < FORCE_IDENTITY_HEADER + FORCE_CHANNEL * identity->channels) {
        return 0;
    }
    next = force_put(next, FORCE_IDENTITY, 1);
    next = force_put(next, identity->protocol_version, 1);
    next = force_put(next, identity->boot_id, 4);
    for (size_t at = 0; at < FORCE_TEXT; at++) {
        next = force_put(next, (uint8_t)identity->serial[at], 1);
    }
    for (size_t at = 0; at < FORCE_TEXT; at++) {
        next = force_put(next, (uint8_t)identity->firmware[at], 1);
    }
    next = force_put(next, identity->interval_ns, 4);
    next = force_put(next, identity->group_delay_ns, 4);
    next = force_put(next, identity->bandwidth_millihertz, 4);
    next = force_put(next, identity->settling_ns, 4);
    next = force_put(next, identity->device_time_us, 8);
    next = force_put(next, identity->channels, 1);
    for (size_t at = 0; at < identity->channels; at++) {
        const struct force_channel *channel = &identity->channel[at];
        next = force_put(next, (uint32_t)channel->zero_counts, 4);
        next = force_put(next, (uint32_t)channel->rated_counts, 4);
        next = force_put(next, channel->rated_force_mn, 4);
        next = force_put(next, channel->direction, 1);
    }
    return (size_t)(next - out);
}

static inline uint8_t *force_samples_header(const struct force_samples *samples, uint8_t *out) {
    out = force_put(out, FORCE_SAMPLES, 1);
    out = force_put(out, samples->boot_id, 4);
    out = force_put(out, samples->sequence, 4);
    out = force_put(out, samples->first_sample, 8);
    out = force_put(out, samples->device_time_us, 8);
    out = force_put(out, samples->interval_ns, 4);
    out = force_put(out, samples->status, 1);
    out = force_put(out, samples->channels, 1);
    return force_put(out, samples->samples, 1);
}

static inline size_t force_samples_encode(const struct force_samples *samples, uint8_t *out, size_t capacity) {
    size_t counts = 4u * (size_t)samples->channels * samples->samples;
    if (force_samples_check(samples) != FORCE_OK || capacity < FORCE_SAMPLES_HEADER + counts) {
        return 0;
    }
    force_copy(force_samples_header(samples, out), samples->counts_le, counts);
    return FORCE_SAMPLES_HEADER + counts;
}

static inline size_t force_condition_encode(const struct force_condition *condition, uint8_t *out, size_t capacity) {
    uint8_t *next = out;
    if (force_condition_check(condition) != FORCE_OK || capacity < 26u) {
        return 0;
    }
    next = force_put(next, FORCE_CONDITION, 1);
    next = force_put(next, condition->boot_id, 4);
    next = force_put(next, condition->device_time_us, 8);
    next = force_put(next, condition->next_sample, 8);
    next = force_put(next, condition->streaming, 1);
    next = force_put(next, condition->supply_mv, 2);
    next = force_put(next, condition->temperature_centikelvin, 2);
    return (size_t)(next - out);
}

static inline size_t force_pong_encode(const struct force_pong *pong, uint8_t *out, size_t capacity) {
    uint8_t *next = out;
    if (force_pong_check(pong) != FORCE_OK || capacity < 17u) {
        return 0;
    }
    next = force_put(next, FORCE_PONG, 1);
    next = force_put(next, pong->boot_id, 4);
    next = force_put(next, pong->token, 4);
    next = force_put(next, pong->device_time_us, 8);
    return (size_t)(next - out);
}

static inline size_t force_device_encode(
    const struct force_device_message *message, uint8_t *out, size_t capacity) {
    switch (message->kind) {
    case FORCE_IDENTITY: return force_identity_encode(&message->as.identity, out, capacity);
    case FORCE_SAMPLES: return force_samples_encode(&message->as.samples, out, capacity);
    case FORCE_CONDITION: return force_condition_encode(&message->as.condition, out, capacity);
    case FORCE_PONG: return force_pong_encode(&message->as.pong, out, capacity);
    default: return 0;
    }
}

/* -------------------------------------------------------------------------------------------- messages of the host */

struct force_host_message {
    uint8_t kind;
    uint32_t value; /* of set_interval the wanted interval, ns, not 0; of ping the token; of the others 0 */
};

/* Bytes behind the kind; -1 where no host sends that kind. */
static inline int force_host_field(uint8_t kind) {
    switch (kind) {
    case FORCE_IDENTIFY:
    case FORCE_START:
    case FORCE_STOP: return 0;
    case FORCE_SET_INTERVAL:
    case FORCE_PING: return 4;
    default: return -1;
    }
}

static inline enum force_fault force_host_decode(
    const uint8_t *body, size_t size, struct force_host_message *message) {
    struct force_reader reader = {body, size, true};
    int field = 0;
    if (size == 0) {
        return FORCE_EMPTY;
    }
    message->kind = force_take_u8(&reader);
    field = force_host_field(message->kind);
    if (field < 0) {
        return FORCE_UNKNOWN_KIND;
    }
    message->value = field == 4 ? force_take_u32(&reader) : 0;
    return force_ended(
        &reader,
        message->kind == FORCE_SET_INTERVAL && message->value == 0 ? FORCE_BAD_INTERVAL_NS : FORCE_OK);
}

static inline size_t force_host_encode(const struct force_host_message *message, uint8_t *out, size_t capacity) {
    int field = force_host_field(message->kind);
    bool forbidden = message->kind == FORCE_SET_INTERVAL && message->value == 0;
    if (field < 0 || forbidden || capacity < 1u + (size_t)field) {
        return 0;
    }
    out = force_put(out, message->kind, 1);
    force_put(out, message->value, (size_t)field);
    return 1u + (size_t)field;
}

/* ---------------------------------------------------------------------------------------------------- 24-bit codes */

/* A bridge converter with 24 bits stays at an end of its range, 800000h or 7FFFFFh in two's complement, when its input
 * leaves the range (data sheet of the common 24-bit bridge converter). */
static inline bool force_code_saturated(int32_t counts) { return counts == -0x800000 || counts == 0x7FFFFF; }

/* Counts of a code in two's complement, the low 24 bits of `code`: what such converters send. */
static inline int32_t force_code_twos_complement(uint32_t code) {
    return (int32_t)((code & 0xFFFFFFu) ^ 0x800000u) - 0x800000;
}

/* Counts of a code in offset binary (0 is the lowest value): the same code with its top bit inverted. Some converters
 * and many drivers hand out this one. example/README.md says how to tell which a board has, and what goes wrong. */
static inline int32_t force_code_offset_binary(uint32_t code) { return (int32_t)(code & 0xFFFFFFu) - 0x800000; }

/* ------------------------------------------------------------------------------------------------------- the board */

/* How much memory a board takes, bytes; define either before this header is included to change it.
 * FORCE_BOARD_BODY: the longest body it sends, at least 63 + 13 for each channel. A samples frame is at most this long.
 * FORCE_BOARD_QUEUE: bodies (with 2 bytes each) that wait for a port that is full. */
#ifndef FORCE_BOARD_BODY
#define FORCE_BOARD_BODY FORCE_MAX_MESSAGE
#endif
#ifndef FORCE_BOARD_QUEUE
#define FORCE_BOARD_QUEUE (4u * (FORCE_BOARD_BODY + 2u))
#endif
#define FORCE_BOARD_RECEIVE (FORCE_HOST_MESSAGE + FORCE_CHECKSUM)

typedef char force_board_body_holds_one_channel[FORCE_BOARD_BODY >= 63u + 13u ? 1 : -1];
typedef char force_board_body_fits_a_frame[FORCE_BOARD_BODY <= FORCE_MAX_MESSAGE ? 1 : -1];
typedef char force_board_queue_holds_a_body[FORCE_BOARD_QUEUE >= FORCE_BOARD_BODY + 2u ? 1 : -1];

enum force_phase {
    FORCE_STOPPED,
    FORCE_STREAMING,
    FORCE_DRAINING /* stopped, but samples or the condition that ends the stream still wait for the port */
};

/* Answers that wait for the port, each at most once. */
struct force_replies {
    bool identity;
    bool pong;
    bool condition;
    uint64_t identity_us;
    uint64_t pong_us;
    uint64_t condition_us;
    uint32_t token;
};

/* The one encoded frame that the port is taking. */
struct force_outgoing {
    uint8_t bytes[1u + FORCE_FRAME_ROOM(FORCE_BOARD_BODY)]; /* a delimiter, then the frame */
    size_t end;                                             /* where it ends; 0 where there is none */
    size_t next;                                            /* the next byte for the port */
    uint64_t first_sample;
    uint8_t samples; /* that it carries; 0 where it is another message */
    bool line_open;  /* the last byte that the port took was no delimiter */
};

/* The firmware's side of the conversation: about 6.5 KB, or 1 KB with small buffers. It does no input or output of its
 * own. Round and round, a board calls
 *
 *     force_board_receive     with what the host sent
 *     force_board_sample      with each conversion
 *     force_board_wanted_interval_ns, then force_board_set_interval
 *     force_board_poll        every few ms
 *     force_board_transmit    and force_board_advance, until nothing is left or the port is full
 *
 * None of them waits. They are not made to interrupt each other: call them from one place. Times are us since boot by
 * the board's clock, which never goes back. Read the fields if you like; write none. */
struct force_board {
    struct force_identity identity;
    uint16_t supply_mv;
    uint16_t temperature_centikelvin;
    enum force_phase phase;
    uint64_t stopped_us; /* draining: when the stop came */
    bool restart;        /* draining: a start came meanwhile, the next stream begins when this one is out */
    struct force_decoder decoder;
    uint8_t received[FORCE_BOARD_RECEIVE];
    uint32_t wanted_interval_ns; /* 0 where nothing was asked for */
    struct force_replies replies;
    struct force_samples filling; /* head of the frame that is being filled; `samples` is 0 where there is none */
    uint8_t filling_counts_le[FORCE_BOARD_BODY - FORCE_SAMPLES_HEADER];
    uint8_t queue[FORCE_BOARD_QUEUE]; /* samples messages that wait, each after its length */
    size_t queued;
    struct force_outgoing outgoing;
    uint32_t sequence;
    uint64_t produced; /* samples converted since the start */
    uint64_t dropped;  /* samples among them that the port did not take in time */
    uint64_t sent_to;  /* the counter after the last sample sent: a frame that begins elsewhere follows an overrun */
    uint64_t condition_due_us;
};

/* A board that has just booted: its identity waits to be sent, then it waits for a start. False, and the board stays
 * silent, where the identity has a value that is not allowed or is longer than FORCE_BOARD_BODY. The identity's
 * protocol_version and device_time_us are filled in. */
static inline bool force_board_init(
    struct force_board *board, const struct force_identity *identity, uint64_t now_us) {
    uint8_t *bytes = (uint8_t *)board;
    for (size_t at = 0; at < sizeof *board; at++) {
        bytes[at] = 0;
    }
    board->identity = *identity;
    board->identity.protocol_version = FORCE_PROTOCOL_VERSION;
    board->identity.device_time_us = now_us;
    board->supply_mv = FORCE_UNKNOWN;
    board->temperature_centikelvin = FORCE_UNKNOWN;
    board->replies.identity = true;
    board->replies.identity_us = now_us;
    board->outgoing.line_open = true; /* a boot loader may have written something */
    return force_identity_check(&board->identity) == FORCE_OK
        && FORCE_IDENTITY_HEADER + FORCE_CHANNEL * identity->channels <= FORCE_BOARD_BODY;
}

/* Puts the frame that is being filled into the queue, or counts its samples as dropped. */
static inline void force_board_close_frame(struct force_board *board) {
    uint8_t *place = board->queue + board->queued;
    size_t room = FORCE_BOARD_QUEUE - board->queued;
    size_t size = 0;
    if (board->filling.samples == 0) {
        return;
    }
    board->filling.counts_le = board->filling_counts_le;
    if (room > 2u) {
        size = force_samples_encode(&board->filling, place + 2, room - 2u);
    }
    if (size == 0) {
        board->dropped += board->filling.samples;
    } else {
        force_put(place, size, 2);
        board->queued += 2u + size;
    }
    board->filling.samples = 0;
    board->filling.status = 0;
}

static inline void force_board_begin_stream(struct force_board *board, uint64_t now_us) {
    board->phase = FORCE_STREAMING;
    board->sequence = 0;
    board->produced = 0;
    board->dropped = 0;
    board->sent_to = 0;
    board->condition_due_us = now_us + FORCE_CONDITION_US;
}

static inline void force_board_obey(
    struct force_board *board, const struct force_host_message *message, uint64_t now_us) {
    switch (message->kind) {
    case FORCE_START:
        if (board->phase == FORCE_STOPPED) {
            force_board_begin_stream(board, now_us);
        } else if (board->phase == FORCE_DRAINING) {
            board->restart = true;
        }
        break;
    case FORCE_STOP:
        force_board_close_frame(board);
        board->replies.condition = false; /* the one that ends the stream comes instead */
        board->phase = FORCE_DRAINING;
        board->stopped_us = now_us;
        board->restart = false;
        break;
    case FORCE_PING:
        board->replies.pong = true;
        board->replies.pong_us = now_us;
        board->replies.token = message->value;
        break;
    case FORCE_SET_INTERVAL:
        if (board->phase != FORCE_STREAMING) {
            board->wanted_interval_ns = message->value;
        }
        board->replies.identity = true;
        board->replies.identity_us = now_us;
        break;
    default: /* identify */
        board->replies.identity = true;
        board->replies.identity_us = now_us;
        break;
    }
}

/* Takes bytes from the host, split anywhere. What cannot be read is not answered: the host asks again. */
static inline void force_board_receive(
    struct force_board *board, const uint8_t *bytes, size_t size, uint64_t now_us) {
    for (size_t at = 0; at < size; at++) {
        struct force_host_message message;
        /* No host's frame is longer than this buffer: a longer one would be rejected in any case. */
        enum force_event event =
            force_decoder_feed(&board->decoder, board->received, sizeof board->received, bytes[at]);
        if (event == FORCE_BODY
            && force_host_decode(board->received, board->decoder.length, &message) == FORCE_OK) {
            force_board_obey(board, &message, now_us);
        }
    }
}

/* As many samples as 20 ms hold, at least one, at most what fits. */
static inline uint8_t force_board_samples_per_frame(const struct force_board *board) {
    uint32_t timely = FORCE_FRAME_US * 1000u / board->identity.interval_ns;
    uint8_t most = force_samples_that_fit(board->identity.channels, FORCE_BOARD_BODY);
    if (timely == 0) {
        return 1;
    }
    return timely < most ? (uint8_t)timely : most;
}

/* Takes one conversion: a reading for each channel, whether any of them was at the end of its range, and the time when
 * the conversion ended. Without effect while not streaming. A conversion that was not read is told with `counts` NULL,
 * or with another number of counts than there are channels: it is counted as produced and dropped. */
static inline void force_board_sample(
    struct force_board *board, const int32_t *counts, size_t count, bool saturated, uint64_t ended_us) {
    struct force_samples *filling = &board->filling;
    uint8_t *place = NULL;
    if (board->phase != FORCE_STREAMING || board->identity.interval_ns == 0) {
        return;
    }
    board->produced++;
    if (counts == NULL || count != board->identity.channels || count > FORCE_MAX_CHANNELS) {
        force_board_close_frame(board);
        board->dropped++;
        return;
    }
    if (filling->samples == 0) {
        filling->boot_id = board->identity.boot_id;
        filling->first_sample = board->produced - 1u;
        filling->device_time_us = ended_us;
        filling->interval_ns = board->identity.interval_ns;
        filling->channels = board->identity.channels;
    }
    place = board->filling_counts_le + 4u * count * filling->samples;
    for (size_t at = 0; at < count; at++) {
        place = force_put(place, (uint32_t)counts[at], 4);
    }
    filling->samples++;
    filling->status |= saturated ? FORCE_SATURATED : 0;
    if (filling->samples >= force_board_samples_per_frame(board)) {
        force_board_close_frame(board);
    }
}

/* Lets time pass: call it every few ms. */
static inline void force_board_poll(struct force_board *board, uint64_t now_us) {
    if (board->phase != FORCE_STREAMING) {
        return;
    }
    if (board->filling.samples != 0 && now_us - board->filling.device_time_us >= FORCE_FRAME_US
        && now_us >= board->filling.device_time_us) {
        force_board_close_frame(board);
    }
    if (now_us >= board->condition_due_us) {
        board->condition_due_us = now_us + FORCE_CONDITION_US;
        board->replies.condition = true;
        board->replies.condition_us = now_us;
    }
}

/* Encodes the body that lies at force_board_body(): to be sent next, behind a delimiter where the line needs one. */
static inline uint8_t *force_board_body(struct force_board *board) {
    return board->outgoing.bytes + 1u + FORCE_BODY_AT(FORCE_BOARD_BODY);
}

static inline void force_board_load(struct force_board *board, size_t size) {
    struct force_outgoing *outgoing = &board->outgoing;
    bool is_identity = force_board_body(board)[0] == FORCE_IDENTITY;
    if (size == 0) {
        return; /* a message that is not allowed is not sent */
    }
    outgoing->bytes[0] = FORCE_DELIMITER;
    outgoing->end = 1u
        + force_frame_encode(
                        force_board_body(board), size, outgoing->bytes + 1, FORCE_FRAME_ROOM(FORCE_BOARD_BODY));
    outgoing->next = outgoing->line_open || is_identity ? 0 : 1;
    outgoing->samples = 0;
}

/* Samples of the stream with a smaller number were sent or dropped. */
static inline uint64_t force_board_next_to_send(const struct force_board *board) {
    struct force_reader first = {board->queue + 2u + 9u, 8u, true};
    if (board->queued != 0) {
        return force_take_u64(&first);
    }
    return board->filling.samples != 0 ? board->filling.first_sample : board->produced;
}

static inline void force_board_load_condition(struct force_board *board, uint64_t due_us, bool streaming) {
    struct force_condition condition = {
        board->identity.boot_id, due_us, force_board_next_to_send(board),
        streaming,               board->supply_mv, board->temperature_centikelvin};
    force_board_load(board, force_condition_encode(&condition, force_board_body(board), FORCE_BOARD_BODY));
}

/* The samples message in front of the queue; its frame number and overrun bit are given now. */
static inline void force_board_load_samples(struct force_board *board) {
    uint8_t *body = force_board_body(board);
    struct force_reader length = {board->queue, 2u, true};
    size_t size = force_take_u16(&length);
    uint64_t first_sample = force_board_next_to_send(board);
    uint8_t samples = board->queue[2u + 31u];
    force_copy(body, board->queue + 2, size);
    force_put(body + 5, board->sequence, 4);
    body[29] |= first_sample == board->sent_to ? 0 : FORCE_OVERRUN;
    board->queued -= 2u + size;
    force_copy(board->queue, board->queue + 2u + size, board->queued);
    force_board_load(board, size);
    board->outgoing.first_sample = first_sample;
    board->outgoing.samples = samples;
    board->sent_to = first_sample + samples;
    board->sequence++;
}

/* Encodes what goes next: replies first, then samples, and the condition that ends a stream last. */
static inline void force_board_load_next(struct force_board *board) {
    uint8_t *body = force_board_body(board);
    if (board->replies.identity) {
        board->replies.identity = false;
        board->identity.device_time_us = board->replies.identity_us;
        force_board_load(board, force_identity_encode(&board->identity, body, FORCE_BOARD_BODY));
    } else if (board->replies.pong) {
        struct force_pong pong = {board->identity.boot_id, board->replies.token, board->replies.pong_us};
        board->replies.pong = false;
        force_board_load(board, force_pong_encode(&pong, body, FORCE_BOARD_BODY));
    } else if (board->replies.condition) {
        board->replies.condition = false;
        force_board_load_condition(board, board->replies.condition_us, true);
    } else if (board->queued != 0) {
        force_board_load_samples(board);
    } else if (board->phase == FORCE_DRAINING) {
        force_board_load_condition(board, board->stopped_us, false);
        board->phase = FORCE_STOPPED;
        if (board->restart) {
            force_board_begin_stream(board, board->stopped_us);
        }
    }
}

/* What the port should take now: `*size` bytes, the rest of a frame; NULL where there is nothing to send. */
static inline const uint8_t *force_board_transmit(struct force_board *board, size_t *size) {
    struct force_outgoing *outgoing = &board->outgoing;
    if (outgoing->end == 0) {
        force_board_load_next(board);
    }
    *size = outgoing->end - outgoing->next;
    return *size == 0 ? NULL : outgoing->bytes + outgoing->next;
}

/* The port took `count` of the bytes that force_board_transmit gave. */
static inline void force_board_advance(struct force_board *board, size_t count) {
    struct force_outgoing *outgoing = &board->outgoing;
    if (outgoing->end == 0 || count == 0) {
        return;
    }
    outgoing->next += count < outgoing->end - outgoing->next ? count : outgoing->end - outgoing->next;
    /* The frame's only delimiters are the byte before it and its last one. */
    outgoing->line_open = outgoing->next != 1u && outgoing->next != outgoing->end;
    if (outgoing->next == outgoing->end) {
        outgoing->end = outgoing->next = 0;
        outgoing->samples = 0;
    }
}

/* The port is full and the frame that force_board_transmit gave is given up. Its samples count as dropped, and the next
 * samples frame says so. (A board may as well wait; then the queue drops what no longer fits.) */
static inline void force_board_not_sent(struct force_board *board) {
    struct force_outgoing *outgoing = &board->outgoing;
    size_t left = outgoing->end - outgoing->next;
    /* With only its delimiter missing it arrives: the next frame brings that. */
    if (outgoing->samples != 0 && left != 1u) {
        board->dropped += outgoing->samples;
        board->sent_to = outgoing->first_sample;
        if (outgoing->next <= 1u) {
            board->sequence--; /* no byte of it reached the port */
        }
    }
    outgoing->end = outgoing->next = 0;
    outgoing->samples = 0;
}

/* The interval that the host asked for, ns, once, and only while stopped; 0 where it asked for none. The board sets its
 * converter to the nearest that it can do and then calls force_board_set_interval. */
static inline uint32_t force_board_wanted_interval_ns(struct force_board *board) {
    uint32_t wanted_ns = board->wanted_interval_ns;
    board->wanted_interval_ns = 0;
    return wanted_ns;
}

/* The true interval by the board's own clock from now on, ns. 0 is ignored. */
static inline void force_board_set_interval(struct force_board *board, uint32_t interval_ns) {
    if (interval_ns != 0) {
        force_board_close_frame(board); /* a frame has one interval */
        board->identity.interval_ns = interval_ns;
    }
}

/* What the next conditions report; FORCE_UNKNOWN for what is not measured. */
static inline void force_board_set_condition(
    struct force_board *board, uint16_t supply_mv, uint16_t temperature_centikelvin) {
    board->supply_mv = supply_mv;
    board->temperature_centikelvin = temperature_centikelvin;
}

/* Samples are being taken. */
static inline bool force_board_streaming(const struct force_board *board) {
    return board->phase == FORCE_STREAMING;
}

/* Nothing waits for the port: no samples, no reply. */
static inline bool force_board_idle(const struct force_board *board) {
    return board->outgoing.end == 0 && board->queued == 0 && board->filling.samples == 0 && !board->replies.identity
        && !board->replies.pong && !board->replies.condition && board->phase != FORCE_DRAINING;
}

#endif

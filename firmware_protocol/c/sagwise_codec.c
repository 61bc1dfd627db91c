/* Reference codec; the contract is in sagwise_codec.h, the form of the messages in sagwise_messages.h. */
#include "sagwise_codec.h"

#include <string.h>

/* --- the form of the messages, as tables -------------------------------------------------------------------- */

enum kind { ONE, COUNT, ARRAY, TEXT, MASK };

struct row {
    uint16_t offset; /* of the field in its struct */
    uint16_t length; /* of the COUNT that belongs to it, or its own offset */
    uint8_t bytes;   /* of one value */
    uint8_t kind;
    uint32_t low, high; /* low > high: any */
    uint32_t known;
};

struct layout {
    uint8_t type;
    uint8_t rows;
    const struct row *row;
};

#define ROW(message, field, type, kind, low, high, known, length)                                                     \
    {(uint16_t)offsetof(struct sagwise_##message, field), (uint16_t)offsetof(struct sagwise_##message, length),       \
     (uint8_t)sizeof(type), kind, low, high, known},
#define ROWS(message, MESSAGE) static const struct row rows_of_##message[] = {SAGWISE_FIELDS_##MESSAGE(ROW)};
#define LAYOUT(message, MESSAGE)                                                                                      \
    {SAGWISE_##MESSAGE, (uint8_t)(sizeof rows_of_##message / sizeof rows_of_##message[0]), rows_of_##message},

SAGWISE_MESSAGES(ROWS)
static const struct layout layouts[] = {SAGWISE_MESSAGES(LAYOUT)};

static const struct layout *find_layout(uint8_t type)
{
    for (size_t i = 0; i < sizeof layouts / sizeof layouts[0]; i++)
        if (layouts[i].type == type)
            return &layouts[i];
    return NULL;
}

/* --- bytes, members and checks ------------------------------------------------------------------------------ */

static uint64_t take_le(const uint8_t *from, size_t bytes)
{
    uint64_t value = 0;
    for (size_t i = bytes; i > 0; i--)
        value = value << 8 | from[i - 1];
    return value;
}

/* The bits of an unsigned or two's-complement member; signed ones come out as their unsigned image. */
static uint64_t load(const void *member, uint8_t bytes)
{
    uint8_t v1;
    uint16_t v2;
    uint32_t v4;
    uint64_t v8;
    switch (bytes) {
    case 1: memcpy(&v1, member, sizeof v1); return v1;
    case 2: memcpy(&v2, member, sizeof v2); return v2;
    case 4: memcpy(&v4, member, sizeof v4); return v4;
    default: memcpy(&v8, member, sizeof v8); return v8;
    }
}

static void store(void *member, uint8_t bytes, uint64_t value)
{
    uint8_t v1 = (uint8_t)value;
    uint16_t v2 = (uint16_t)value;
    uint32_t v4 = (uint32_t)value;
    switch (bytes) {
    case 1: memcpy(member, &v1, sizeof v1); break;
    case 2: memcpy(member, &v2, sizeof v2); break;
    case 4: memcpy(member, &v4, sizeof v4); break;
    default: memcpy(member, &value, sizeof value); break;
    }
}

/* How many values the row holds in this message. Every COUNT is one byte. */
static size_t entries(const struct row *row, const uint8_t *message)
{
    return row->kind == ARRAY || row->kind == TEXT ? message[row->length] : 1u;
}

static int in_range(const struct row *row, const uint8_t *message)
{
    uint64_t value = load(message + row->offset, row->bytes);
    return row->low > row->high || (value >= row->low && value <= row->high);
}

static int mask_fits(const struct row *row, const uint8_t *message)
{
    return load(message + row->offset, row->bytes) >> message[row->length] == 0;
}

/* Well-formed UTF-8: shortest form, no surrogates, nothing above U+10FFFF (RFC 3629, section 4). */
static int is_utf8(const uint8_t *text, size_t size)
{
    size_t at = 0;
    while (at < size) {
        uint8_t lead = text[at++];
        uint8_t low = 0x80, high = 0xBF;
        size_t more = lead < 0x80 ? 0u : lead < 0xE0 ? 1u : lead < 0xF0 ? 2u : 3u;
        if ((lead >= 0x80 && lead < 0xC2) || lead > 0xF4 || more > size - at)
            return 0;
        if (lead == 0xE0) low = 0xA0;
        if (lead == 0xED) high = 0x9F;
        if (lead == 0xF0) low = 0x90;
        if (lead == 0xF4) high = 0x8F;
        for (; more > 0; more--, low = 0x80, high = 0xBF) {
            if (text[at] < low || text[at] > high)
                return 0;
            at++;
        }
    }
    return 1;
}

uint32_t sagwise_crc32c(uint32_t crc, const uint8_t *data, size_t size)
{
    /* Four bits at a time; polynomial 0x1EDC6F41, reflected 0x82F63B78. */
    static const uint32_t table[16] = {
        0x00000000u, 0x105EC76Fu, 0x20BD8EDEu, 0x30E349B1u, 0x417B1DBCu, 0x5125DAD3u, 0x61C69362u, 0x7198540Du,
        0x82F63B78u, 0x92A8FC17u, 0xA24BB5A6u, 0xB21572C9u, 0xC38D26C4u, 0xD3D3E1ABu, 0xE330A81Au, 0xF36E6F75u};
    crc = ~crc;
    for (size_t i = 0; i < size; i++) {
        crc ^= data[i];
        crc = crc >> 4 ^ table[crc & 15u];
        crc = crc >> 4 ^ table[crc & 15u];
    }
    return ~crc;
}

/* --- writing ------------------------------------------------------------------------------------------------ */

/* Writes COBS as the bytes come, and the CRC of those bytes beside it; needs no second buffer. */
struct writer {
    uint8_t *out;
    size_t at;   /* where the next byte goes */
    size_t code; /* where the open block's code byte stands */
    uint32_t crc;
};

static void close_block(struct writer *writer)
{
    writer->out[writer->code] = (uint8_t)(writer->at - writer->code);
    writer->code = writer->at++;
}

static void put(struct writer *writer, uint64_t value, size_t bytes)
{
    for (; bytes > 0; bytes--, value >>= 8) {
        uint8_t byte = (uint8_t)(value & 0xFFu);
        writer->crc = sagwise_crc32c(writer->crc, &byte, 1);
        if (writer->at - writer->code == 0xFFu) /* a full block is closed only when more follows */
            close_block(writer);
        if (byte == 0)
            close_block(writer);
        else
            writer->out[writer->at++] = byte;
    }
}

static int writable(const struct row *row, const uint8_t *message)
{
    switch (row->kind) {
    case MASK: return mask_fits(row, message);
    case TEXT: return is_utf8(message + row->offset, entries(row, message));
    case ARRAY: return 1;
    default: return in_range(row, message) && (row->known == UINT32_MAX || load(message + row->offset, row->bytes) <= row->known);
    }
}

/* Bytes of the body, or SIZE_MAX when a value may not be sent. */
static size_t measure(const struct layout *layout, const uint8_t *message)
{
    size_t size = 0;
    for (size_t i = 0; i < layout->rows; i++) /* every count first: masks and texts rely on them */
        if (layout->row[i].kind == COUNT && !in_range(&layout->row[i], message))
            return SIZE_MAX;
    for (size_t i = 0; i < layout->rows; i++) {
        if (!writable(&layout->row[i], message))
            return SIZE_MAX;
        size += entries(&layout->row[i], message) * layout->row[i].bytes;
    }
    return size;
}

static void put_header(struct writer *writer, uint8_t type, uint8_t flags, size_t size, const struct sagwise_stamp *stamp)
{
    put(writer, SAGWISE_PROTOCOL_VERSION, 1);
    put(writer, type, 1);
    put(writer, flags, 1);
    put(writer, 0, 1);
    put(writer, size, 2);
    put(writer, stamp->sequence, 2);
    put(writer, stamp->board_id, 4);
    put(writer, stamp->boot_id, 4);
    put(writer, stamp->uptime_us, 8);
}

size_t sagwise_encode(const struct sagwise_message *message, const struct sagwise_stamp *stamp, uint8_t flags,
                      uint8_t *out, size_t room)
{
    const struct layout *layout = find_layout(message->type);
    const uint8_t *body = (const uint8_t *)&message->body;
    struct writer writer = {out, 1, 0, 0};
    if (layout == NULL || stamp->boot_id == 0)
        return 0;
    size_t size = measure(layout, body);
    if (size > SAGWISE_MAX_BODY_BYTES)
        return 0;
    size_t frame = SAGWISE_HEADER_BYTES + size + SAGWISE_CRC_BYTES;
    if (room < frame + frame / 254u + 2u)
        return 0;
    put_header(&writer, message->type, flags, size, stamp);
    for (size_t i = 0; i < layout->rows; i++) {
        const struct row *row = &layout->row[i];
        for (size_t n = 0; n < entries(row, body); n++)
            put(&writer, load(body + row->offset + n * row->bytes, row->bytes), row->bytes);
    }
    put(&writer, writer.crc, SAGWISE_CRC_BYTES);
    out[writer.code] = (uint8_t)(writer.at - writer.code);
    out[writer.at++] = 0;
    return writer.at;
}

/* --- reading ------------------------------------------------------------------------------------------------ */

enum { FINE = -1 }; /* otherwise an enum sagwise_reason */

/* Decodes in place; returns the decoded length, or SIZE_MAX when a code byte points beyond the end. */
static size_t cobs_decode(uint8_t *run, size_t size)
{
    size_t to = 0;
    for (size_t at = 0; at < size;) {
        uint8_t code = run[at++];
        size_t copied = code - 1u;
        if (copied > size - at)
            return SIZE_MAX;
        memmove(run + to, run + at, copied);
        to += copied;
        at += copied;
        if (code != 0xFFu && at < size)
            run[to++] = 0;
    }
    return to;
}

/* Copies the fields into the struct, as far as the body agrees with itself. */
static int read_fields(const struct layout *layout, const uint8_t *body, size_t size, uint8_t *message)
{
    for (size_t i = 0; i < layout->rows; i++) {
        const struct row *row = &layout->row[i];
        size_t count = entries(row, message);
        if (count * row->bytes > size)
            return SAGWISE_REASON_MALFORMED;
        if (row->kind == TEXT && !is_utf8(body, count))
            return SAGWISE_REASON_MALFORMED;
        for (size_t n = 0; n < count; n++)
            store(message + row->offset + n * row->bytes, row->bytes, take_le(body + n * row->bytes, row->bytes));
        if (row->kind == COUNT && !in_range(row, message))
            return SAGWISE_REASON_MALFORMED;
        body += count * row->bytes;
        size -= count * row->bytes;
    }
    return FINE;
}

static int check_fields(const struct layout *layout, const uint8_t *message, struct sagwise_rejected *rejected)
{
    for (size_t i = 0; i < layout->rows; i++)
        if (layout->row[i].kind == MASK && !mask_fits(&layout->row[i], message))
            return SAGWISE_REASON_MALFORMED;
    for (size_t i = 0; i < layout->rows; i++)
        if (layout->row[i].kind == ONE && !in_range(&layout->row[i], message)) {
            rejected->allowed_min = layout->row[i].low;
            rejected->allowed_max = layout->row[i].high;
            return SAGWISE_REASON_OUT_OF_RANGE;
        }
    return FINE;
}

/* Header and body of a frame whose CRC is right. */
static int read_frame(struct sagwise_decoder *decoder, size_t size)
{
    const uint8_t *raw = decoder->run;
    struct sagwise_frame *frame = &decoder->frame;
    uint8_t *message = (uint8_t *)&frame->message.body;
    size_t body_bytes = size - SAGWISE_HEADER_BYTES - SAGWISE_CRC_BYTES;
    frame->message.type = raw[1];
    frame->flags = raw[2];
    frame->stamp.sequence = (uint16_t)take_le(raw + 6, 2);
    frame->stamp.board_id = (uint32_t)take_le(raw + 8, 4);
    frame->stamp.boot_id = (uint32_t)take_le(raw + 12, 4);
    frame->stamp.uptime_us = take_le(raw + 16, 8);
    if (raw[0] != SAGWISE_PROTOCOL_VERSION)
        return SAGWISE_REASON_VERSION;
    if (take_le(raw + 4, 2) != body_bytes)
        return SAGWISE_REASON_LENGTH;
    if (frame->flags & SAGWISE_MUST_UNDERSTAND)
        return SAGWISE_REASON_MUST_UNDERSTAND;
    const struct layout *layout = find_layout(frame->message.type);
    if (layout == NULL)
        return SAGWISE_REASON_UNKNOWN_TYPE;
    memset(message, 0, sizeof frame->message.body);
    int fault = read_fields(layout, raw + SAGWISE_HEADER_BYTES, body_bytes, message);
    if (fault == FINE)
        fault = check_fields(layout, message, &decoder->rejected);
    if (fault == FINE && frame->stamp.boot_id == 0) {
        decoder->rejected.allowed_min = 1;
        decoder->rejected.allowed_max = UINT32_MAX;
        fault = SAGWISE_REASON_OUT_OF_RANGE;
    }
    return fault;
}

/* Judges the run collected so far; leaves the frame or the refusal in the decoder. */
static int judge(struct sagwise_decoder *decoder)
{
    size_t size = cobs_decode(decoder->run, decoder->length);
    if (size == SIZE_MAX)
        return SAGWISE_REASON_COBS;
    if (size < SAGWISE_HEADER_BYTES + SAGWISE_CRC_BYTES)
        return SAGWISE_REASON_TOO_SHORT;
    if (size > SAGWISE_MAX_FRAME_BYTES)
        return SAGWISE_REASON_TOO_LONG;
    size_t covered = size - SAGWISE_CRC_BYTES;
    if (sagwise_crc32c(0, decoder->run, covered) != take_le(decoder->run + covered, SAGWISE_CRC_BYTES))
        return SAGWISE_REASON_CRC;
    int fault = read_frame(decoder, size);
    decoder->rejected.read = 1;
    decoder->rejected.type = decoder->frame.message.type;
    decoder->rejected.stamp = decoder->frame.stamp;
    return fault;
}

static enum sagwise_event finish(struct sagwise_decoder *decoder)
{
    uint16_t size = decoder->length;
    if (size == 0)
        return SAGWISE_NOTHING;
    memset(&decoder->rejected, 0, sizeof decoder->rejected);
    int fault = judge(decoder);
    decoder->length = 0;
    if (fault == FINE)
        return SAGWISE_FRAME;
    decoder->rejected.reason = (enum sagwise_reason)fault;
    decoder->rejected.size = size;
    return SAGWISE_REJECTED;
}

void sagwise_decoder_init(struct sagwise_decoder *decoder)
{
    memset(decoder, 0, sizeof *decoder);
}

enum sagwise_event sagwise_decoder_push(struct sagwise_decoder *decoder, uint8_t byte)
{
    if (byte == 0) {
        decoder->skipping = 0;
        return finish(decoder);
    }
    if (decoder->skipping)
        return SAGWISE_NOTHING;
    if (decoder->length < SAGWISE_MAX_ENCODED_BYTES) {
        decoder->run[decoder->length++] = byte;
        return SAGWISE_NOTHING;
    }
    decoder->length = 0;
    decoder->skipping = 1;
    memset(&decoder->rejected, 0, sizeof decoder->rejected);
    decoder->rejected.reason = SAGWISE_REASON_TOO_LONG;
    decoder->rejected.size = (uint16_t)(SAGWISE_MAX_ENCODED_BYTES + 1u);
    return SAGWISE_REJECTED;
}

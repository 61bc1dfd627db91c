/* sagwise wire protocol, reference codec in portable C99.
 *
 * Law: bytes in, messages out. No input or output, no clock, no heap, no static state that changes; nothing of the
 * C library but memcpy, memmove and memset. Any bytes may be pushed: the decoder never reads or writes out of
 * bounds, never waits, and takes up again behind the next zero byte. ../PROTOCOL.md is the law of the wire.
 *
 * Contract
 *   - A decoder belongs to one stream and to one thread of execution; several decoders are independent.
 *   - Zero-filled memory is a fresh decoder. sagwise_decoder_init does the same at any time.
 *   - After sagwise_decoder_push returns SAGWISE_FRAME, `frame` is valid until the next push; after
 *     SAGWISE_REJECTED, `rejected` is. After SAGWISE_NOTHING neither is.
 *   - Work: a push takes constant time, but the push of the delimiter takes time proportional to the frame
 *     (COBS, CRC-32C by nibbles, copying). Call it from the main loop, not from the receive interrupt.
 *   - Memory: sizeof(struct sagwise_decoder) for each stream; encoding needs no buffer but the caller's output.
 *   - Integers are moved to and from the wire by shifts, so byte order and alignment of the machine do not matter.
 *     Needs 8-bit bytes and the exact-width types of stdint.h.
 *   - sagwise_encode writes the values that this version names and no others; the decoder accepts unnamed values of
 *     enumerations and flags and hands them on as numbers (see PROTOCOL.md, "Values without a name").
 *
 * Use on a board
 *     static struct sagwise_decoder link;
 *     static uint8_t out[SAGWISE_MAX_WIRE_BYTES];
 *
 *     if (sagwise_decoder_push(&link, byte) == SAGWISE_FRAME)
 *         handle(&link.frame);
 *
 *     struct sagwise_message message = {.type = SAGWISE_BUTTON};
 *     message.body.button.press = ++presses;
 *     struct sagwise_stamp stamp = {board_id, boot_id, uptime_us(), sequence++};
 *     uart_write(out, sagwise_encode(&message, &stamp, 0, out, sizeof out));
 */
#ifndef SAGWISE_CODEC_H
#define SAGWISE_CODEC_H

#include <stddef.h>
#include <stdint.h>

#include "sagwise_messages.h"

#ifdef __cplusplus
extern "C" {
#endif

/* Longest frame as it goes over the wire, its delimiter included. */
#define SAGWISE_MAX_WIRE_BYTES (SAGWISE_MAX_ENCODED_BYTES + 1u)

/* Header flags that a reader must know; version 1 defines none. */
#define SAGWISE_MUST_UNDERSTAND 0x0Fu

/* Who speaks, since which boot, when and in what order; all of them the sender's. */
struct sagwise_stamp {
    uint32_t board_id;  /* 0 only from a host that means any board */
    uint32_t boot_id;   /* never 0 */
    uint64_t uptime_us; /* since that boot */
    uint16_t sequence;  /* wraps to 0 */
};

struct sagwise_frame {
    struct sagwise_stamp stamp;
    uint8_t flags;
    struct sagwise_message message;
};

/* Why a frame is dropped, in the order in which the checks are made. */
enum sagwise_reason {
    SAGWISE_REASON_TOO_LONG,        /* no delimiter within SAGWISE_MAX_ENCODED_BYTES, or too long once decoded */
    SAGWISE_REASON_COBS,            /* a code byte points beyond the end */
    SAGWISE_REASON_TOO_SHORT,       /* no room for header and CRC */
    SAGWISE_REASON_CRC,             /* CRC-32C does not match */
    SAGWISE_REASON_VERSION,         /* another protocol version */
    SAGWISE_REASON_LENGTH,          /* body_bytes is not the length that came */
    SAGWISE_REASON_MUST_UNDERSTAND, /* a flag of SAGWISE_MUST_UNDERSTAND is set */
    SAGWISE_REASON_UNKNOWN_TYPE,    /* no such message in this version */
    SAGWISE_REASON_MALFORMED,       /* the body ends early or contradicts itself */
    SAGWISE_REASON_OUT_OF_RANGE     /* a value is outside its stated range */
};

struct sagwise_rejected {
    enum sagwise_reason reason;
    uint16_t size;              /* encoded bytes without the delimiter; those read when an over-long run was given up */
    uint8_t read;               /* 1 when the CRC was right: the members below are set */
    uint8_t type;               /* of the refused frame; its sequence is in the stamp */
    struct sagwise_stamp stamp;
    uint32_t allowed_min;       /* with SAGWISE_REASON_OUT_OF_RANGE, in the unit of the field; else 0 */
    uint32_t allowed_max;
};

enum sagwise_event { SAGWISE_NOTHING, SAGWISE_FRAME, SAGWISE_REJECTED };

/* Only `frame` and `rejected` are for the caller. */
struct sagwise_decoder {
    struct sagwise_frame frame;
    struct sagwise_rejected rejected;
    uint16_t length;
    uint8_t skipping;
    uint8_t run[SAGWISE_MAX_ENCODED_BYTES];
};

/* Forget everything; the next byte begins a frame. */
void sagwise_decoder_init(struct sagwise_decoder *decoder);

/* Take one byte of the stream. An over-long run is reported once, when it passes the limit. */
enum sagwise_event sagwise_decoder_push(struct sagwise_decoder *decoder, uint8_t byte);

/* Write one frame and its delimiter to `out`.
 *
 * Returns the number of bytes written. Returns 0, with nothing of use in `out`, when the type is unknown, boot_id
 * is 0, a value, count or flag is outside what this version names, a validity bit lies beyond its array, text is
 * not UTF-8, or `room` is too small; SAGWISE_MAX_WIRE_BYTES always suffices.
 */
size_t sagwise_encode(const struct sagwise_message *message, const struct sagwise_stamp *stamp, uint8_t flags,
                      uint8_t *out, size_t room);

/* CRC-32C (Castagnoli) of `size` bytes; begin with crc 0, go on with the value returned. */
uint32_t sagwise_crc32c(uint32_t crc, const uint8_t *data, size_t size);

#ifdef __cplusplus
}
#endif

#endif

/* Runs the C codec for the tests. Law: prints what the codec says, one line an event, and judges nothing.
 *
 *   harness decode   bytes on stdin; for each event a line
 *       frame MESSAGE BOARD BOOT UPTIME SEQUENCE FIELD=VALUE ...      (text as hex, arrays with commas)
 *       rejected REASON SIZE [TYPE BOARD BOOT UPTIME SEQUENCE] [MIN MAX]
 *   harness encode   on stdin lines "MESSAGE BOARD BOOT UPTIME SEQUENCE FLAGS ROOM FIELD=VALUE ..."; prints hex,
 *                    or "refused"
 *   harness crc      bytes on stdin; prints CRC-32C in hex
 *   harness cobs     bytes on stdin; prints what the encoder's byte stuffing makes of them, in hex
 *
 * The codec is included and not linked, because no message of today is long enough to fill a block of 254 bytes.
 */
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "sagwise_codec.c"

static const char *const reasons[] = {"too_long", "cobs",            "too_short",    "crc",       "version",
                                      "length",   "must_understand", "unknown_type", "malformed", "out_of_range"};

static void die(const char *why)
{
    fprintf(stderr, "harness: %s\n", why);
    exit(2);
}

/* --- printing ----------------------------------------------------------------------------------------------- */

static void print_stamp(const struct sagwise_stamp *stamp)
{
    printf(" %" PRIu32 " %" PRIu32 " %" PRIu64 " %u", stamp->board_id, stamp->boot_id, stamp->uptime_us,
           (unsigned)stamp->sequence);
}

static void print_value(const char *type, const void *at, size_t bytes)
{
    uint64_t bits = 0;
    if (type[0] == 'c') {
        printf("%02x", (unsigned)*(const uint8_t *)at);
    } else if (type[0] == 'u') {
        if (bytes == 1) bits = *(const uint8_t *)at;
        if (bytes == 2) bits = *(const uint16_t *)at;
        if (bytes == 4) bits = *(const uint32_t *)at;
        if (bytes == 8) bits = *(const uint64_t *)at;
        printf("%" PRIu64, bits);
    } else {
        int64_t value = 0;
        if (bytes == 2) value = *(const int16_t *)at;
        if (bytes == 4) value = *(const int32_t *)at;
        if (bytes == 8) value = *(const int64_t *)at;
        printf("%" PRId64, value);
    }
}

static void print_many(const char *type, const void *at, size_t bytes, size_t count)
{
    for (size_t i = 0; i < count; i++) {
        if (i > 0 && type[0] != 'c')
            printf(",");
        print_value(type, (const uint8_t *)at + i * bytes, bytes);
    }
}

#define COUNT_OF_ONE(m, length) 1
#define COUNT_OF_MASK(m, length) 1
#define COUNT_OF_COUNT(m, length) 1
#define COUNT_OF_ARRAY(m, length) (m->length)
#define COUNT_OF_TEXT(m, length) (m->length)
#define CHECK_ONE(m, field, length)
#define CHECK_MASK(m, field, length)
#define CHECK_COUNT(m, field, length)
#define CHECK_ARRAY(m, field, length)
#define CHECK_TEXT(m, field, length)                                                                                  \
    if (m->field[m->length] != 0)                                                                                     \
        die("text without its final zero");
#define PRINT(message, field, type, kind, low, high, known, length)                                                   \
    printf(" " #field "=");                                                                                           \
    print_many(#type, &message->field, sizeof(type), COUNT_OF_##kind(message, length));                                   \
    CHECK_##kind(message, field, length)
#define PRINTER(message, MESSAGE)                                                                                     \
    static void print_##message(const struct sagwise_##message *message)                                              \
    {                                                                                                                 \
        SAGWISE_FIELDS_##MESSAGE(PRINT)                                                                               \
    }
SAGWISE_MESSAGES(PRINTER)

static void print_frame(const struct sagwise_frame *frame)
{
    switch (frame->message.type) {
#define CASE(message_, MESSAGE)                                                                                       \
    case SAGWISE_##MESSAGE:                                                                                           \
        printf("frame " #message_);                                                                                   \
        print_stamp(&frame->stamp);                                                                                   \
        print_##message_(&frame->message.body.message_);                                                              \
        break;
        SAGWISE_MESSAGES(CASE)
    default: die("a frame of no known type");
    }
    printf("\n");
}

static void print_rejected(const struct sagwise_rejected *rejected)
{
    printf("rejected %s %u", reasons[rejected->reason], (unsigned)rejected->size);
    if (rejected->read) {
        printf(" %u", (unsigned)rejected->type);
        print_stamp(&rejected->stamp);
    }
    if (rejected->reason == SAGWISE_REASON_OUT_OF_RANGE)
        printf(" %" PRIu32 " %" PRIu32, rejected->allowed_min, rejected->allowed_max);
    printf("\n");
}

static void decode(void)
{
    struct sagwise_decoder *decoder = malloc(sizeof *decoder); /* on the heap, so that the sanitizer fences it */
    int byte;
    if (decoder == NULL)
        die("no memory");
    sagwise_decoder_init(decoder);
    while ((byte = getchar()) != EOF) {
        enum sagwise_event event = sagwise_decoder_push(decoder, (uint8_t)byte);
        if (event == SAGWISE_FRAME)
            print_frame(&decoder->frame);
        if (event == SAGWISE_REJECTED)
            print_rejected(&decoder->rejected);
    }
    free(decoder);
}

/* --- parsing ------------------------------------------------------------------------------------------------ */

static void set_value(const char *type, void *at, size_t bytes, const char *text)
{
    uint64_t value = type[0] == 'u' ? strtoull(text, NULL, 10) : (uint64_t)strtoll(text, NULL, 10);
    if (bytes == 1) *(uint8_t *)at = (uint8_t)value;
    if (bytes == 2) *(uint16_t *)at = (uint16_t)value;
    if (bytes == 4) *(uint32_t *)at = (uint32_t)value;
    if (bytes == 8) *(uint64_t *)at = value;
}

/* Entries beyond `room` are not stored: the count field alone tells the encoder how many there are meant to be. */
static void set_field(const char *type, void *at, size_t bytes, size_t room, const char *text)
{
    char pair[3] = {0};
    unsigned byte;
    if (type[0] == 'c') {
        for (size_t i = 0; i < room && text[2 * i] > ' '; i++) {
            memcpy(pair, text + 2 * i, 2);
            if (sscanf(pair, "%2x", &byte) != 1)
                die("bad hex in text");
            ((uint8_t *)at)[i] = (uint8_t)byte;
        }
        return;
    }
    for (size_t i = 0; i < room && *text > ' '; i++) {
        set_value(type, (uint8_t *)at + i * bytes, bytes, text);
        text += strcspn(text, ", \n");
        if (*text == ',')
            text++;
    }
}

static const char *find(const char *line, const char *name)
{
    size_t length = strlen(name);
    for (const char *at = strchr(line, ' '); at != NULL; at = strchr(at + 1, ' '))
        if (strncmp(at + 1, name, length) == 0 && at[1 + length] == '=')
            return at + 2 + length;
    die("a field is missing");
    return NULL;
}

#define PARSE(message, field, type, kind, low, high, known, length)                                                   \
    set_field(#type, &message->field, sizeof(type), sizeof(message->field) / sizeof(type), find(line, #field));
#define PARSER(message, MESSAGE)                                                                                      \
    static void parse_##message(struct sagwise_##message *message, const char *line)                                  \
    {                                                                                                                 \
        SAGWISE_FIELDS_##MESSAGE(PARSE)                                                                               \
    }
SAGWISE_MESSAGES(PARSER)

static void encode_line(const char *line)
{
    struct sagwise_message message;
    struct sagwise_stamp stamp;
    char name[32];
    unsigned flags, sequence;
    size_t room;
    memset(&message, 0, sizeof message);
    if (sscanf(line, "%31s %" SCNu32 " %" SCNu32 " %" SCNu64 " %u %u %zu", name, &stamp.board_id, &stamp.boot_id,
               &stamp.uptime_us, &sequence, &flags, &room) != 7)
        die("bad line");
    stamp.sequence = (uint16_t)sequence;
#define NAMED(message_, MESSAGE)                                                                                      \
    if (strcmp(name, #message_) == 0) {                                                                               \
        message.type = SAGWISE_##MESSAGE;                                                                             \
        parse_##message_(&message.body.message_, line);                                                               \
    }
    SAGWISE_MESSAGES(NAMED)
    uint8_t *out = malloc(room > 0 ? room : 1); /* exactly as long as promised */
    if (out == NULL)
        die("no memory");
    size_t size = sagwise_encode(&message, &stamp, (uint8_t)flags, out, room);
    for (size_t i = 0; i < size; i++)
        printf("%02x", (unsigned)out[i]);
    printf(size > 0 ? "\n" : "refused\n");
    free(out);
}

static void encode(void)
{
    static char line[8192];
    while (fgets(line, sizeof line, stdin) != NULL)
        encode_line(line);
}

static void crc(void)
{
    uint32_t value = 0;
    int byte;
    while ((byte = getchar()) != EOF) {
        uint8_t one = (uint8_t)byte;
        value = sagwise_crc32c(value, &one, 1);
    }
    printf("%08" PRIX32 "\n", value);
}

static void stuff(void)
{
    static uint8_t out[4096];
    struct writer writer = {out, 1, 0, 0};
    int byte;
    while ((byte = getchar()) != EOF)
        put(&writer, (uint64_t)byte, 1);
    out[writer.code] = (uint8_t)(writer.at - writer.code);
    for (size_t i = 0; i < writer.at; i++)
        printf("%02x", (unsigned)out[i]);
    printf("\n");
}

int main(int argc, char **argv)
{
    const char *verb = argc == 2 ? argv[1] : "";
    if (strcmp(verb, "decode") == 0)
        decode();
    else if (strcmp(verb, "encode") == 0)
        encode();
    else if (strcmp(verb, "crc") == 0)
        crc();
    else if (strcmp(verb, "cobs") == 0)
        stuff();
    else
        die("usage: harness decode|encode|crc|cobs");
    return 0;
}

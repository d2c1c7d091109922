"""A C program that says what the generated header decodes, field by field, written from the layout.

It reads cases (4-byte little-endian length, bytes) from standard input and writes
each event as a line of JSON, a message with the frame that packing it again gives,
and ``--`` after each case: what `echo.mjs` does too.
"""

from __future__ import annotations

from steelyard_protocol.layout import FieldLayout, layouts

_HEAD = """\
#include <inttypes.h>
#include <stdio.h>
#include <stdlib.h>
#include "steelyard_protocol.h"

static void hex(const uint8_t *bytes, size_t length)
{
    for (size_t i = 0; i < length; i++) printf("%02x", bytes[i]);
}

static void fields(const struct steelyard_message *m)
{
    switch (m->message_id) {
"""

_TAIL = """\
    }
}

static void message(const struct steelyard_arrival *a)
{
    uint8_t payload[256], frame[STEELYARD_FRAME_LIMIT];
    const char *name = steelyard_name(a->message.message_id);
    printf("[\\"message\\", \\"%s\\", %" PRIu64 ", {", name, a->offset);
    fields(&a->message);
    printf("}, \\"");
    const size_t length = steelyard_pack(&a->message, payload);
    if (length == 0) printf("refused");
    else hex(frame, steelyard_frame(payload, length, frame));
    printf("\\"]\\n");
}

static void gap(const struct steelyard_gap *g)
{
    printf("[\\"gap\\", \\"%s\\", %u, %" PRIu64 ", %u, %u, %u]\\n", steelyard_name(g->message_id),
        g->channel, g->offset, g->expected_sequence, g->found_sequence, g->missing);
}

static void run(const uint8_t *data, size_t length)
{
    struct steelyard_decoder decoder = {0};
    struct steelyard_arrival a;
    for (size_t i = 0; i < length; i++) {
        switch (steelyard_feed(&decoder, data[i], &a)) {
        case STEELYARD_MESSAGE:
            if (a.has_gap) gap(&a.gap);
            message(&a);
            break;
        case STEELYARD_UNKNOWN:
            printf("[\\"unknown\\", %u, %" PRIu64 "]\\n", a.payload[0], a.offset);
            break;
        case STEELYARD_CORRUPT:
            printf("[\\"corrupt\\", %" PRIu64 ", %" PRIu64 ", ", a.offset, a.length);
            printf("\\"%s\\"]\\n", a.reason);
            break;
        case STEELYARD_NOTHING:
            break;
        }
    }
    printf("--\\n");
}

int main(void)
{
    uint8_t head[4];
    while (fread(head, 1, 4, stdin) == 4) {
        const size_t length = steelyard_read_u32(head);
        uint8_t *data = malloc(length ? length : 1);
        if (!data || fread(data, 1, length, stdin) != length) return 1;
        run(data, length);
        free(data);
    }
    return 0;
}
"""


def _print_field(message: str, item: FieldLayout, comma: str) -> list[str]:
    value = f"m->body.{message}.{item.name}"
    opening = f'        printf("{comma}\\"{item.name}\\": ");'
    if item.is_bytes:
        return [opening, f'        printf("\\""); hex({value}, {item.count}); printf("\\"");']
    if item.is_array:
        return [
            opening,
            f"        for (int i = 0; i < {item.count}; i++)",
            f'            printf("%s%" PRId64, i ? ", " : "[", (int64_t){value}[i]);',
            '        printf("]");',
        ]
    if item.format == "Q":
        return [opening, f'        printf("\\"%" PRIu64 "\\"", {value});']
    return [opening, f'        printf("%" PRId64, (int64_t){value});']


def source() -> str:
    """The text of the program."""
    lines = []
    for message in layouts():
        lines.append(f"    case STEELYARD_ID_{message.name.upper()}:")
        for index, item in enumerate(message.fields):
            lines += _print_field(message.name, item, ", " if index else "")
        lines.append("        break;")
    return _HEAD + "\n".join(lines) + "\n" + _TAIL

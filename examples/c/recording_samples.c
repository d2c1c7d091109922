/* Load samples of a recording: cc -I../../protocol/languages recording_samples.c && ./a.out FILE */
#include <stdio.h>
#include "steelyard_protocol.h"

int main(int count, char **words)
{
    FILE *file = count > 1 ? fopen(words[1], "rb") : stdin;
    struct steelyard_decoder decoder = {0};
    struct steelyard_arrival arrival;
    for (int byte; file && (byte = getc(file)) != EOF;)
        if (steelyard_feed(&decoder, (uint8_t)byte, &arrival) == STEELYARD_MESSAGE
            && arrival.message.message_id == STEELYARD_ID_LOAD_SAMPLE) {
            const struct steelyard_load_sample *s = &arrival.message.body.load_sample;
            printf("%u %u %d %u\n", s->channel, s->sequence, (int)s->load_counts, s->flags);
        }
    if (!file)
        perror(words[1]);
    return file ? 0 : 1;
}

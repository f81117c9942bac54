/* The floor under a press: poll one terminal, and at any input write a frame to the other.
 *
 *   floor FROM TO FRAME      FRAME in hexadecimal, at most 64 bytes
 *
 * It knows nothing, decides nothing and checks nothing: no program on this machine can be quicker
 * by much. It ends when FROM hangs up. Exit codes: 0 hung up, 1 an error, 2 a mistake.
 */
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

int main(int argc, char **argv)
{
    unsigned char frame[64], input[256];
    size_t length = 0;

    if (argc != 4 || strlen(argv[3]) % 2 != 0 || strlen(argv[3]) > 2 * sizeof frame) {
        fprintf(stderr, "floor FROM TO FRAME: FRAME is 1 to 64 bytes in hexadecimal\n");
        return 2;
    }
    for (const char *at = argv[3]; *at != '\0'; at += 2) {
        if (sscanf(at, "%2hhx", &frame[length++]) != 1) {
            fprintf(stderr, "floor: %s is not hexadecimal\n", at);
            return 2;
        }
    }
    int from = open(argv[1], O_RDONLY | O_NOCTTY);
    int to = open(argv[2], O_WRONLY | O_NOCTTY);
    if (from < 0 || to < 0) {
        perror("floor: cannot open");
        return 1;
    }
    struct pollfd watched = {.fd = from, .events = POLLIN};
    while (poll(&watched, 1, -1) > 0) {
        if (read(from, input, sizeof input) <= 0)
            return 0;
        if (write(to, frame, length) != (ssize_t)length)
            return 1;
    }
    return 1;
}

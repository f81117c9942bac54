"""``python -m tests.firmware``: figures of board node and handset on simulated chips."""

from __future__ import annotations

from tests.firmware import building, figures, handset_figures


def _ms(cycles: tuple[int, int]) -> str:
    low, high = cycles
    return f"{low}..{high} cycles, {low / 16000:.4f}..{high / 16000:.4f} ms"


def main() -> None:
    """Build, measure and print."""
    image = building.image("board")
    flash, ram = figures.sizes(image)
    times = figures.latencies(image, 200)
    stack = figures.stack_under_fuzz(image, 5000)
    summed, path = figures.stack_summed(image)
    print(f"""\
{(image.parent / "board.txt").read_text().strip()}
flash                    {flash} of {figures.FLASH} bytes
RAM without stack        {ram} of {figures.RAM} bytes
stack, painted           {stack.painted} bytes under 5000 frames and noise (pointer {stack.pointed})
stack, summed            {summed} bytes: {" > ".join(path)}
interrupts off           at most {stack.interrupts_off} cycles; two bytes take 8333
bytes waiting            at most {stack.unread_most}; the chip has room for 2
latch                    {_ms(times.latch)} (at most {figures.LATCH_MS})
answer made              {_ms(times.ready)}
two nodes apart          {figures.apart(image, 200) / 16000:.4f} ms (at most {figures.APART_MS})
answer starts            {_ms(times.answer)} ({figures.ANSWER_MS[0]}-{figures.ANSWER_MS[1]})
driver on before that    {_ms(times.driver)}
idle within the answer   {_ms(times.gap)}
driver off after it      {_ms(times.release)}
dark by silence          {_ms(times.dark)} ({figures.DARK_MS[0]}-{figures.DARK_MS[1]})
""")
    print(handset_figures.report())


if __name__ == "__main__":
    main()

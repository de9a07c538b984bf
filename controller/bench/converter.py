"""An analogue converter on the yard's board, which measures the motor's supply current."""

from controller.bench.link import Link


class YardConverter:
    """The SPI side of a converter of the MCP3008 kind, for gpiozero's analogue devices."""

    bits_per_word = 8

    def __init__(self, link: Link) -> None:
        self._link = link

    def close(self) -> None:
        """Do nothing: the converter belongs to nobody."""

    def transfer(self, words: list[int]) -> list[int]:
        """Return the reading that a question asks for, as the converter would clock it out."""
        # Start bit, single-ended bit, three bits of channel, then room for one sampling bit,
        # one null bit and the result (Microchip's data sheet DS21295, section 6, from memory).
        question = int.from_bytes(bytes(words), "big")
        bits = question.bit_length() - 7
        channel = question >> (bits + 2) & 0b111
        ratio = self._link.ask("analogue", channel=channel)["ratio"]
        reading = round(ratio * (2**bits - 1))
        return list(reading.to_bytes(len(words), "big"))

"""What goes wrong between a sensor and its reader: half frames, noise on the line, frames twice or in the wrong order. Knows no format."""

from random import Random


class WireFaults:
    """Each rate is the share of frames that it hits. With all rates at 0 frames go through as they are."""

    def __init__(self, seed: int = 0, *, garbage: float = 0.0, cut: float = 0.0, doubled: float = 0.0, displaced: float = 0.0) -> None:
        self._luck = Random(seed)
        self.garbage, self.cut, self.doubled, self.displaced = garbage, cut, doubled, displaced
        self._held: bytes | None = None

    def through(self, frame: bytes) -> list[bytes]:
        """What comes out at the other end when this frame goes in."""
        luck, out = self._luck, []
        if self._held is not None:
            out, self._held = [frame, self._held], None
        elif luck.random() < self.displaced:
            self._held = frame
            return []
        else:
            out = [frame]
        if luck.random() < self.cut:
            out[0] = out[0][: luck.randrange(len(out[0]))] + out[0][-1:]
        if luck.random() < self.doubled:
            out.append(out[-1])
        if luck.random() < self.garbage:
            out.insert(0, luck.randbytes(luck.randint(1, 200)))
        return out

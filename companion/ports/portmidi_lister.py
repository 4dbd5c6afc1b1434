"""A process that answers each line on its input with a JSON line: the (API, raw name) pairs of the MIDI inputs now."""

from __future__ import annotations

import json
import sys

from companion.ports.portmidi_backend import inputs, start_portmidi, stop_portmidi


def main() -> None:
    """Answer until the input ends."""
    for _line in sys.stdin:
        start_portmidi()
        print(json.dumps([(api, raw) for _number, api, raw in inputs()]), flush=True)
        stop_portmidi()


if __name__ == "__main__":
    main()

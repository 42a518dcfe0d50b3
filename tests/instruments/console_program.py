"""A console on standard input and output, started by the tests."""

import sys
import time

ANSWERS = {"about": "about model=PH2-220 serial=PH2-000417 build=4.2.0", "warmth": "warmth 41.3"}


def main(arguments: list[str]) -> int:
    if arguments[:1] == ["say"]:
        print(arguments[1], flush=True)
    for line in sys.stdin:
        command = line.strip()
        if command == "die":
            return 3
        print(f"{command}\n~ noise\n{ANSWERS.get(command, 'ok')}\nph> ", end="", flush=True)
    if arguments[:1] == ["stubborn"]:
        time.sleep(60)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

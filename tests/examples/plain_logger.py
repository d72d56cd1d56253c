"""The same in any language: lines out, lines in. Five looks in a second, for three seconds."""

import sys
import time

import serial

with serial.Serial(sys.argv[1], 115200, timeout=1) as port:

    def say(line: str) -> str:
        port.write(line.encode() + b"\n")
        while True:
            answer = port.readline().decode().strip()
            if not answer.startswith("note "):  # what nobody asked for: a trip, a change of state
                return answer

    port.write(b"\n")  # ends whatever line was begun
    try:
        print(say("put link.patience 60.0 s"), say("put sink.level 2.500 A"))
        ticket = say("act sink.arm").removeprefix("ok ")
        print(say(f"act capacity.start {ticket}"))
        for _ in range(15):
            time.sleep(0.2)
            print(say("ask capacity.elapsed"), say("ask input.voltage"))
    finally:
        print(say("act sink.stop"))

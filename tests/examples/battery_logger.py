"""A battery logger: discharge a pack, and write a line of its voltage and charge now and then."""

import sys
from collections.abc import Iterator

import wirevow


def discharge(load, amps: float, cutoff_volts: float, every_s: float) -> Iterator[tuple[float, float, float]]:
    """Seconds, volts and ampere-hours, until the load has finished or tripped."""
    load.link.patience.put(60.0)
    load.sink.level.put(amps)
    load.capacity.cutoff.put(cutoff_volts)
    load.capacity.start()
    while load.self.state.read() == "discharging":
        load.sleep(every_s)  # not time.sleep: this one keeps the link alive, in the instrument's time
        found = load.read("capacity.*", "input.voltage")
        yield found["capacity.elapsed"], found["input.voltage"], found["capacity.charge"]


if __name__ == "__main__":
    with wirevow.connect(sys.argv[1], "tarn") as load:
        for seconds, volts, charge in discharge(load, 2.5, 9.0, every_s=1200):
            print(f"{seconds:8.1f} s {volts:7.3f} V {charge:7.4f} A.h")

"""A battery logger: discharge a pack, and write a line of its voltage and charge now and then."""

from collections.abc import Iterator


def discharge(load, amps: float, cutoff_volts: float, every_s: float) -> Iterator[tuple[float, float, float]]:
    """Seconds, volts and ampere-hours, until the load has finished or tripped."""
    load.link.patience.put(60.0)
    load.sink.level.put(amps)
    load.capacity.cutoff.put(cutoff_volts)
    load.capacity.start()
    while load.self.state.read() == "discharging":
        load.sleep(every_s)  # not time.sleep: this one keeps the link alive, in the instrument's time
        found = load.read("capacity.*") | load.read("input.voltage")
        yield found["capacity.elapsed"], found["input.voltage"], found["capacity.charge"]

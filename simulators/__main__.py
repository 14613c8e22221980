"""`python -m simulators …`: the simulated outside world as a process. Prints JSON, one object a line; ends on SIGINT or SIGTERM.

python -m simulators demo [--told-for 75] [--for 90] [--broker HOST:PORT] [--link PATH] [--wait]
python -m simulators van [--days 3] [--told-for 60] [--every 15] [--noise …]      one van on a pseudo-terminal, with faults on request
python -m simulators fleet --broker HOST:PORT --vehicles 1000 [--readings N]      many vehicles over MQTT
python -m simulators broker [--port 0]                                            a small MQTT broker
"""

import argparse
import asyncio
import contextlib
import os
import signal
import threading
from collections.abc import Sequence
from pathlib import Path

from simulators import broker, demo
from simulators.faults import WireFaults


def main(given: Sequence[str] | None = None) -> int:
    options = _parser().parse_args(given)
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    if options.until_stdin_closes and not getattr(options, "wait", False):
        _watch_stdin(stop)
    return int(options.run(options, stop))


def _watch_stdin(stop: threading.Event) -> None:
    """A parent that dies closes our standard input: then we end too."""

    def watch() -> None:
        while os.read(0, 4096):  # not sys.stdin: its lock would be held when the interpreter ends
            pass
        stop.set()

    threading.Thread(target=watch, daemon=True).start()


def _demo(options: argparse.Namespace, stop: threading.Event) -> int:
    with contextlib.ExitStack() as stack:
        if options.broker:
            host, port = _address(options.broker)
        else:
            embedded = stack.enter_context(broker.BrokerProcess())
            host, port = embedded.host, embedded.port
        faults = WireFaults(options.seed, garbage=options.garbage, cut=options.cut)
        told = demo.Demo(host, port, options.link, demo.print_json, seed=options.seed, faults=faults)
        stack.callback(told.close)
        demo.print_json(told.ready())
        if options.wait:
            if not os.read(0, 4096):
                return 0
            _watch_stdin(stop)
        told.tell(options.told_for, stop, options.seconds)
    return 0


def _van(options: argparse.Namespace, stop: threading.Event) -> int:
    from simulators.trip import Trip

    trip = Trip(options)
    try:
        demo.print_json({"ready": True, "port": trip.line.port, "battery": trip.role.declared})
        trip.run(stop)
    finally:
        trip.line.close()
    demo.print_json({"sent": trip.sent, "lost_bytes": trip.line.lost_bytes})
    return 0


def _fleet(options: argparse.Namespace, stop: threading.Event) -> int:
    from simulators.fleet import declarations, run

    if options.declare is not None:
        options.declare.write_text(declarations(options.vehicles, options.seed), encoding="utf-8")
    host, port = _address(options.broker)
    demo.print_json(run(options, host, port, stop))
    return 0


def _broker(options: argparse.Namespace, stop: threading.Event) -> int:
    async def serve() -> None:
        halt = asyncio.Event()
        loop = asyncio.get_running_loop()
        threading.Thread(target=lambda: (stop.wait(), loop.call_soon_threadsafe(halt.set)), daemon=True).start()
        port = options.port or broker.free_port()
        await broker.serve(port, lambda p: demo.print_json({"ready": True, "host": "127.0.0.1", "port": p}), halt)

    asyncio.run(serve())
    return 0


def _address(text: str) -> tuple[str, int]:
    host, _, port = text.rpartition(":")
    if not host or not port.isdigit():
        raise SystemExit(f"--broker {text}: expected HOST:PORT")
    return host, int(port)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="python -m simulators", description="Simulated vehicles that speak bytes.")
    parser.add_argument("--seed", type=int, default=1, help="the same seed gives the same story")
    parser.add_argument("--until-stdin-closes", action="store_true", help="end when the parent closes standard input")
    kinds = parser.add_subparsers(required=True)
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--seed", type=int, default=argparse.SUPPRESS)
    common.add_argument("--until-stdin-closes", action="store_true", default=argparse.SUPPRESS)
    common.add_argument("--garbage", type=float, default=0.0, help="share of lines that are preceded by noise")
    common.add_argument("--cut", type=float, default=0.0, help="share of lines that are cut")
    common.add_argument("--for", dest="seconds", type=float, default=None, help="end after so many seconds of wall time")

    one = kinds.add_parser("demo", parents=[common], help="a van and three stored vehicles")
    one.add_argument("--told-for", type=float, default=75.0, help="wall seconds in which the story is told")
    one.add_argument("--broker", default="", help="HOST:PORT of a broker; without it an embedded one is started")
    one.add_argument("--link", type=Path, default=None, help="stable path to the pseudo-terminal")
    one.add_argument("--wait", action="store_true", help="begin the story when a line comes on standard input")
    one.set_defaults(run=_demo)

    two = kinds.add_parser("van", parents=[common], help="one van on a pseudo-terminal")
    two.add_argument("--days", type=float, default=3.0)
    two.add_argument("--told-for", type=float, default=60.0, help="wall seconds for these days")
    two.add_argument("--every", type=float, default=15.0, help="seconds of the story between readings")
    two.add_argument("--link", type=Path, default=None)
    two.add_argument("--noise", type=float, default=0.0, help="standard deviation added to the current, A")
    two.add_argument("--offset", type=float, default=0.0, help="offset of the current, A")
    two.add_argument(
        "--gap", type=float, nargs=2, action="append", default=[], metavar=("FROM_H", "TO_H"), help="silence, hours of the story"
    )
    two.add_argument("--unplug", type=float, nargs=2, default=None, metavar=("AT_S", "FOR_S"), help="pull the adapter, wall seconds")
    two.set_defaults(run=_van)

    three = kinds.add_parser("fleet", parents=[common], help="many vehicles over MQTT")
    three.add_argument("--broker", required=True, help="HOST:PORT")
    three.add_argument("--vehicles", type=int, default=1000)
    three.add_argument("--readings", type=int, default=60, help="readings of each vehicle")
    three.add_argument("--every", type=float, default=60.0, help="seconds of the story between readings")
    three.add_argument("--rate", type=float, default=0.0, help="messages a second at most; 0: as fast as the broker acknowledges")
    three.add_argument("--offline", type=float, default=0.02, help="share of vehicles that are offline for a spell and then send it all")
    three.add_argument("--json-only", action="store_true", help="no SenML on senml/<battery>; all on readings/<battery>")
    three.add_argument("--declare", type=Path, default=None, metavar="FILE", help="first write the fleet's batteries there, as TOML")
    three.add_argument("--doubled", type=float, default=0.0, help="share of messages that are sent twice")
    three.add_argument("--quiet", action="store_true", help="no progress bar")
    three.set_defaults(run=_fleet)

    four = kinds.add_parser("broker", parents=[common], help="a small MQTT broker on the loopback")
    four.add_argument("--port", type=int, default=0)
    four.set_defaults(run=_broker)
    return parser


if __name__ == "__main__":
    raise SystemExit(main())

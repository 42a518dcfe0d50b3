"""``hilkit serve``."""

from __future__ import annotations

import errno
import ipaddress
import json
import socket
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import click

from hilkit.cli.common import lab_of, lab_option, locate, resources_of
from hilkit.errors import ExitCode, LinkError, UsageError

__all__ = ["command", "served_bench"]

LOCAL = "127.0.0.1"


def open_to(host: str) -> str:
    """Return a warning where others than this computer may connect, empty where they cannot."""
    try:
        local = ipaddress.ip_address(host).is_loopback
    except ValueError:
        local = host.lower() == "localhost"
    if local:
        return ""
    return (
        f"OPEN TO OTHERS: whoever reaches {host} over the network may use these instruments, without a "
        f"password; leave --host away to keep them to this computer"
    )


@click.command("serve")
@click.argument("profile_name", metavar="PROFILE")
@click.option("--host", default=LOCAL, show_default=True, help="Address to serve on.")
@click.option("--port-base", type=click.IntRange(0, 65500), default=5025, show_default=True,
              help="Port of the first instrument; the others follow. 0: any free ports.")  # fmt: skip
@click.option("--write-bench", "bench_file", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Write a bench file that reaches the served instruments.")  # fmt: skip
@click.option("--seed", type=click.IntRange(min=0), metavar="N", help="Seed of the noise.")
@lab_option
def command(
    profile_name: str,
    host: str,
    port_base: int,
    bench_file: Path | None,
    seed: int | None,
    lab_folder: Path | None,
) -> int:
    """Serve the instruments of a simulated bench as raw SCPI sockets, in real time, until Ctrl-C.

    Any VISA client reaches them. --write-bench takes the bench file beside the profile and puts the addresses
    in. Only this computer can connect unless --host says otherwise; the simulated instruments ask nobody for
    a password.
    """
    from hilkit.clock import WallClock
    from hilkit.sim import serve
    from hilkit.sim.profile import load_profile
    from hilkit.sim.world import World

    lab = lab_of(lab_folder)
    path = locate("profile", profile_name, lab)
    clock = WallClock()
    profile = load_profile(path, lab)
    world = World(profile, clock, seed)
    if bench_file is not None and not bench_file.parent.is_dir():
        raise UsageError(
            f"there is no folder {bench_file.parent}", next_step="make it first, or name another"
        )
    if bench_file is not None and bench_file.exists():
        raise UsageError(
            f"{bench_file} exists already", next_step="name a new file, or delete that one first"
        )
    try:
        names = resources_of(profile)
        ports = {name: port_base + i for i, name in enumerate(names)} if port_base else {}
        server = serve(world, host=host, ports=ports)
    except OSError as error:
        raise LinkError(
            f"cannot serve on {host} from port {port_base} on: {error.strerror or error}",
            next_step=_cure(error),
        ) from error
    with server:
        resources = {
            name: f"TCPIP0::{host}::{port}::SOCKET" for name, (host, port) in server.addresses.items()
        }
        for name, resource in resources.items():
            click.echo(f"{name.ljust(max(map(len, resources)))}  {resource}")
        if warning := open_to(host):
            click.echo(warning, err=True)
        if bench_file is not None:
            _write_bench(path, bench_file, resources)
        click.echo(f"SIMULATED BENCH {path.stem}, seed {world.seed}; Ctrl-C ends it")
        try:
            while True:
                clock.sleep(3600)
        except KeyboardInterrupt:
            click.echo("ended")
    return int(ExitCode.PASSED)


def _cure(error: OSError) -> str:
    if isinstance(error, socket.gaierror) or error.errno == errno.EADDRNOTAVAIL:
        return "name an address of this computer with --host; 127.0.0.1 is always one"
    return "choose another --port-base, or 0 for any free ports"


def _write_bench(profile: Path, target: Path, resources: Mapping[str, str]) -> None:
    source = profile.with_name(f"{profile.stem}.bench.yaml")
    if not source.is_file():
        raise UsageError(
            f"there is no {source.name} beside {profile}", next_step="write the bench file by hand"
        )
    text, data_files = served_bench(source, resources)
    try:
        target.write_text(text, encoding="utf-8")
        for name in data_files:
            copy = target.parent / name
            if not copy.exists():
                copy.parent.mkdir(parents=True, exist_ok=True)
                copy.write_bytes((source.parent / name).read_bytes())
    except OSError as error:
        raise UsageError(f"{target} cannot be written: {error.strerror or error}") from error
    click.echo(f"bench file {target}" + (f", with {', '.join(data_files)} beside it" if data_files else ""))


def served_bench(source: Path, resources: Mapping[str, str]) -> tuple[str, list[str]]:
    """Return the bench file ``source`` for served instruments, and the data files that belong beside it.

    The resource of each named instrument is replaced, the simulation taken out and said in the name instead;
    comments and layout stay.
    """
    import yaml

    text = source.read_text(encoding="utf-8")
    root = yaml.compose(text)
    for start, end, new in sorted(_edits(root, text, resources), reverse=True):
        text = text[:start] + new + text[end:]
    return text, sorted(set(_data_files(root)))


def _edits(root: Any, text: str, resources: Mapping[str, str]) -> Iterator[tuple[int, int, str]]:
    for key, value in root.value:
        if key.value == "simulation":
            end = text.find("\n", value.end_mark.index)
            yield key.start_mark.index, len(text) if end < 0 else end + 1, ""
        elif key.value == "bench":
            name = json.dumps(f"{value.value} (served simulation)", ensure_ascii=False)
            yield value.start_mark.index, value.end_mark.index, name
        elif key.value == "radio":
            yield from _resource_edit(value, resources.get("radio"))
        elif key.value == "instruments":
            for name, entry in value.value:
                yield from _resource_edit(entry, resources.get(name.value))


def _resource_edit(entry: Any, resource: str | None) -> Iterator[tuple[int, int, str]]:
    for key, value in entry.value:
        if key.value == "resource" and resource is not None:
            yield value.start_mark.index, value.end_mark.index, json.dumps(resource)


def _data_files(root: Any) -> Iterator[str]:
    for key, paths in root.value:
        if key.value == "paths":
            for _, elements in paths.value:
                for element in elements.value:
                    yield from (value.value for name, value in element.value if name.value == "file")

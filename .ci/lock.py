"""The versions that CI installs, with the hashes of their archives: `.ci/requirements.lock`.

    python .ci/lock.py write EXTRAS    resolve anew and write the lock; nothing is installed
    python .ci/lock.py install         install what it holds, and the project itself
    python .ci/lock.py constraints     print its versions alone
    python .ci/lock.py lowest          print the oldest version of each that pyproject.toml allows

The hashes are of the archives for one interpreter and platform, which the first line of the lock names. Where
another installs, its versions count and its hashes cannot.
"""

import json
import platform
import re
import subprocess
import sys
import tomllib
from pathlib import Path

HERE = f"Python {sys.version_info[0]}.{sys.version_info[1]}, {platform.system()} {platform.machine()}"
LOCK = Path(__file__).with_name("requirements.lock")


def write(extras: str) -> None:
    command = [
        sys.executable,
        "-m",
        "pip",
        "install",
        "-qq",
        "--dry-run",
        "--ignore-installed",
        "--report",
        "-",
    ]
    done = subprocess.run(
        [*command, "hatchling", "editables", f".[{extras}]"], stdout=subprocess.PIPE, check=True
    )
    lines = []
    for each in json.loads(done.stdout)["install"]:
        name, version = each["metadata"]["name"], each["metadata"]["version"]
        if "dir_info" not in each["download_info"]:  # all but the project itself
            sha256 = each["download_info"]["archive_info"]["hashes"]["sha256"]
            lines.append(f"{name.lower()}=={version} --hash=sha256:{sha256}")
    head = f"# Exact versions and archives that CI installs, for {HERE}. Renewed by `make lock`."
    LOCK.write_text("\n".join([head, *sorted(lines), ""]))
    print(f"{LOCK}: {len(lines)} packages.")


def constraints() -> str:
    return "\n".join(re.findall(r"^\S+==\S+", LOCK.read_text(), re.MULTILINE))


def lowest() -> str:
    project = tomllib.loads(Path("pyproject.toml").read_text())["project"]
    bounds: dict[str, list[str]] = {}
    for wanted in (project["dependencies"], *project["optional-dependencies"].values()):
        for name, version in re.findall(r"^([\w.-]+)>=([\d.]+)", "\n".join(wanted), re.MULTILINE):
            bounds.setdefault(name, []).append(version)
    # The tests may need a newer one than users do.
    newest = {name: max(each, key=lambda text: [*map(int, text.split("."))]) for name, each in bounds.items()}
    return "\n".join(f"{name}=={version}" for name, version in newest.items())


def install() -> None:
    pip = [sys.executable, "-m", "pip", "install", "-qq", "--no-deps"]
    if f"for {HERE}." in LOCK.read_text().splitlines()[0]:
        subprocess.run([*pip, "--require-hashes", "--requirement", str(LOCK)], check=True)
    else:
        print(f"{LOCK} has no hashes for {HERE}: its versions are installed without.", file=sys.stderr)
        subprocess.run([*pip, *constraints().split()], check=True)
    subprocess.run([*pip, "--no-build-isolation", "--editable", "."], check=True)


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["write", extras]:
            write(extras)
        case ["install"]:
            install()
        case ["lowest"]:
            print(lowest())
        case ["constraints"]:
            print(constraints())
        case _:
            sys.exit(__doc__)

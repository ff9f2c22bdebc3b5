"""Builds what the guest boots: Debian's own kernel image and an initrd with the modules of the rig.

    python tests/kernel/rig_build.py        # all into out/kernel-rig; prints the seconds it took

Nothing of the kernel is kept in this repository: sources are taken from Debian's package, a few calls in gpio-sim.c are
turned to `modules/rig_lines.h`, and four modules are compiled out of tree. Needs apt (sources only, no root) and the
packages in `TOOLS`; what is missing is installed when this runs as root, else named.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
OUT = Path(os.environ.get("WARMHEAP_RIG_OUT", ROOT / "out" / "kernel-rig"))
TOOLS = {
    "qemu-system-x86_64": "qemu-system-x86",
    "busybox": "busybox-static",
    "cpio": "cpio",
    "depmod": "kmod",
    "gcc": "gcc",
    "make": "make",
    "xz": "xz-utils",
    "mke2fs": "e2fsprogs",
}
LIBRARIES = ("libelf1", "libssl3", "mount")  # what the kernel's build tools load, and the guest mounts with
SOURCES = ("drivers/gpio/gpio-sim.c", "drivers/gpio/gpiolib.h", "kernel/irq/irq_sim.c", "drivers/hwmon/ina2xx.c")
OWN = ("rig_lines", "gpio-rig", "w1_bench", "ina2xx")
STOCK = (
    "virtio virtio_ring virtio_pci virtio_pci_modern_dev virtio_pci_legacy_dev virtio_blk"
    " 9p 9pnet 9pnet_virtio netfs fscache"
    " ext4 jbd2 mbcache crc16 crc32c_generic libcrc32c configfs i2c-dev i2c-stub wire w1_therm loop"
).split()
EDITS = (  # what gpio-sim.c says, and what it says here
    ("gpio-sim.c", r'#include "gpiolib.h"\n', '#include "gpiolib.h"\n#include "rig_lines.h"\n', 1),
    (
        "gpio-sim.c",
        r"__assign_bit\(offset, chip->value_map, !!test_bit\(offset, chip->pull_map\)\);",
        "rig_release(chip->value_map, chip->direction_map, chip->pull_map, offset);",
        1,
    ),
    ("gpio-sim.c", r"__assign_bit\(offset, chip->value_map,", "rig_level(chip->value_map, offset,", 3),
    (
        "gpio-sim.c",
        r"bitmap_replace\(chip->value_map, chip->value_map, bits, mask, gc->ngpio\);",
        "rig_levels(chip->value_map, bits, mask, gc->ngpio);",
        1,
    ),
    (
        "gpio-sim.c",
        r"__set_bit\(offset, chip->direction_map\);",
        "rig_input(chip->value_map, chip->direction_map, chip->pull_map, offset);",
        1,
    ),
    ("irq_sim.c", r"handle_simple_irq\(irq_to_desc\(irqnum\)\);", "generic_handle_irq(irqnum);", 1),  # not exported
)


class RigError(Exception):
    """The rig cannot be built or started; the text says why."""


def run(*words: str | Path, cwd: Path | None = None) -> str:
    """Run a command; its output, or ``RigError`` with it."""
    done = subprocess.run([str(w) for w in words], cwd=cwd, text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    if done.returncode:
        raise RigError(f"{' '.join(map(str, words))} ended with {done.returncode}:\n{done.stdout[-3000:]}")
    return done.stdout


def tools() -> None:
    """See to it that every tool is there."""
    search = os.environ["PATH"] + ":/usr/sbin:/sbin"
    missing = sorted({package for tool, package in TOOLS.items() if not shutil.which(tool, path=search)})
    missing += [
        package for package in LIBRARIES if subprocess.run(["dpkg", "-s", package], capture_output=True).returncode
    ]
    if not os.geteuid():
        run("apt-get", "update", "-qq")  # an old list names packages that the mirror no longer has
    if not missing:
        return
    if os.geteuid():
        raise RigError(f"the kernel rig needs {', '.join(missing)}: sudo apt-get install {' '.join(missing)}")
    run("apt-get", "install", "-y", "-qq", "--no-install-recommends", *missing)


def depends(package: str) -> list[str]:
    """What a package depends on, versions resolved to their newest."""
    return re.findall(r"^\s*Depends: ([\w.+-]+)$", run("apt-cache", "depends", package), re.M)


def packages() -> tuple[str, list[str]]:
    """The kernel's release, and the packages to take it and its headers from."""
    image = next((p for p in depends("linux-image-amd64") if p.startswith("linux-image-")), "")
    if not image:
        raise RigError("apt knows no linux-image-amd64: the kernel rig is for Debian 12 on x86")
    release = image.removeprefix("linux-image-")
    headers = f"linux-headers-{release}"
    built_with = [p for p in depends(headers) if p.startswith("linux-")]
    source = f"linux-source-{'.'.join(release.split('.')[:2])}"
    return release, [image, headers, *built_with, source]


def fetch(wanted: list[str]) -> None:
    """Download and unpack what is not unpacked yet."""
    debs, tree = OUT / "deb", OUT / "tree"
    debs.mkdir(parents=True, exist_ok=True)
    for package in wanted:
        done = debs / f"{package}.unpacked"
        if not done.exists():
            run("apt-get", "download", "-q", package, cwd=debs)
            run("dpkg", "-x", max(debs.glob(f"{package}_*.deb"), key=lambda p: p.stat().st_mtime), tree)
            done.touch()


def prepare_sources(folder: Path) -> None:
    """Kernel files from Debian's source package, edited, beside our own."""
    archive = next((OUT / "tree/usr/src").glob("linux-source-*.tar.xz"))
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(HERE / "modules", folder)
    picked = [f"*/{name}" for name in SOURCES]
    run("tar", "-xJf", archive, "-C", folder, "--strip-components=1", "--wildcards", *picked)
    for name in SOURCES:
        shutil.move(folder / name, folder / Path(name).name)
    for name, old, new, times in EDITS:
        file = folder / name
        text, found = re.subn(old, new, file.read_text())
        if found != times:
            raise RigError(f"{name} of this kernel has {found} places, not {times}, like {old}")
        file.write_text(text)


def compile_modules(release: str, folder: Path) -> None:
    """Compile the modules against the headers of ``release``."""
    headers = OUT / "tree/usr/src" / f"linux-headers-{release}"
    makefile = headers / "Makefile"
    makefile.write_text(re.sub(r"^include /usr/src/", f"include {OUT}/tree/usr/src/", makefile.read_text(), flags=re.M))
    run("make", "-s", "-C", headers, f"M={folder}", "modules")


def make_initrd(release: str, modules: Path) -> None:
    """An initrd with busybox, the modules and `guest/init`."""
    top = OUT / "initrd"
    shutil.rmtree(top, ignore_errors=True)
    kept = top / "lib/modules" / release
    kept.mkdir(parents=True)
    (top / "bin").mkdir()
    shutil.copy(shutil.which("busybox") or "/bin/busybox", top / "bin/busybox")
    stock = OUT / "tree/lib/modules" / release
    for name in STOCK:
        for found in stock.rglob(f"{name}.ko*"):
            shutil.copy(found, kept)
    for name in OWN:
        run("strip", "--strip-debug", modules / f"{name}.ko", "-o", kept / f"{name}.ko")
    for found in (*stock.glob("modules.builtin*"), stock / "modules.order"):
        shutil.copy(found, kept)
    run(shutil.which("depmod", path="/usr/sbin:/sbin:/usr/bin:/bin") or "depmod", "-b", top, release)
    shutil.copy(HERE / "guest/init", top / "init")
    (top / "init").chmod(0o755)
    pack(top, OUT / "initrd.gz")


def pack(folder: Path, target: Path) -> None:
    """Pack a folder as a compressed cpio archive, which is what the kernel unpacks at boot."""
    run("sh", "-c", f"find . | cpio -o -H newc --quiet | gzip -1 > '{target}'", cwd=folder)


def stamp() -> str:
    """Changes when the rig must be built anew."""
    digest = hashlib.sha256()
    for file in (HERE / "rig_build.py", *sorted((HERE / "modules").iterdir()), HERE / "guest/init"):
        digest.update(file.read_bytes())
    return digest.hexdigest()


def build() -> float:
    """Build whatever is not built yet; returns the seconds it took. ``RigError`` when it cannot be done."""
    began_s = time.monotonic()
    done = OUT / "built"
    if not (done.exists() and done.read_text() == stamp()):
        tools()
        release, wanted = packages()
        fetch(wanted)
        prepare_sources(OUT / "modules")
        compile_modules(release, OUT / "modules")
        make_initrd(release, OUT / "modules")
        shutil.copy(OUT / "tree/boot" / f"vmlinuz-{release}", OUT / "vmlinuz")
        done.write_text(stamp())
    return time.monotonic() - began_s


if __name__ == "__main__":
    try:
        print(f"the rig is built in {OUT} ({build():.0f} s)")
    except RigError as wrong:
        sys.exit(f"kernel rig: {wrong}")

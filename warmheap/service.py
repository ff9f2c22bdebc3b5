"""The units that let a service manager (systemd) start warmheap at boot, watch it, and switch off after any end."""

from __future__ import annotations

import grp
import sys
from pathlib import Path

from .errors import UsageError

SERVICE, WATCHDOG = "warmheap.service", "10-warmheap-watchdog.conf"
GPIO_GROUP = "gpio"

_UNIT = """\
[Unit]
Description=warmheap, pump and fan of a greenhouse heated by a compost pile
# It needs neither network nor the right time, so it waits for neither.
After=local-fs.target
# A crash loop never ends in a stop: it keeps trying, the outputs off in between.
StartLimitIntervalSec=0

[Service]
Type=notify
NotifyAccess=main
ExecStart={python} -m warmheap run {settings} --last-good
# After any end, this one's crash included: a killed process leaves its lines as they were on many boards.
ExecStopPost={python} -m warmheap.guardian --safe-off %S/warmheap
# Told to be alive only while the loop makes progress.
WatchdogSec=60
TimeoutStartSec=120
Restart=always
RestartSec=5
# The guardian gets the signal and ends the loop in good order.
KillMode=mixed
TimeoutStopSec=20

DynamicUser=yes
{groups}
StateDirectory=warmheap
WorkingDirectory=%S/warmheap
UMask=0027

# Last to be killed when memory is short, and never the cause of it.
OOMScoreAdjust=-900
MemoryMax=200M
TasksMax=64

# Beside the network it needs the GPIO chip and the kernel's files in /sys, nothing else.
{network}
DevicePolicy=closed
DeviceAllow=char-gpiochip rw
CapabilityBoundingSet=
NoNewPrivileges=yes
ProtectSystem=strict
ProtectHome=read-only
PrivateTmp=yes
ProtectClock=yes
ProtectHostname=yes
ProtectKernelModules=yes
ProtectKernelLogs=yes
ProtectControlGroups=yes
# Not ProtectKernelTunables: PWM channels and probes are written to in /sys.
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
LockPersonality=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service

[Install]
WantedBy=multi-user.target
"""

_WATCHDOG = """\
# The board's own watchdog reboots it when the kernel or the service manager hangs. Goes into /etc/systemd/system.conf.d/
[Manager]
RuntimeWatchdogSec=15s
RebootWatchdogSec=2min
"""

_INET = "RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6"
_AFTER_CHANGE = "After a change of [page], [mqtt] or [notify] write this unit anew."
_NETWORK = {
    "none": f"# Nothing in the settings wants a network. {_AFTER_CHANGE}\nPrivateNetwork=yes\n"
    "RestrictAddressFamilies=AF_UNIX",
    "local": f"# The status page is for this board alone. {_AFTER_CHANGE}\n{_INET}\nIPAddressDeny=any\n"
    "IPAddressAllow=localhost",
    "open": f"# Page, broker or messages reach out of this board. {_AFTER_CHANGE}\n{_INET}",
}

_HOW = """\
wrote {folder}/{service} and {folder}/{watchdog}. To install them, as root:
  cp {folder}/{service} /etc/systemd/system/
  mkdir -p /etc/systemd/system.conf.d && cp {folder}/{watchdog} /etc/systemd/system.conf.d/
  systemctl daemon-reexec && systemctl enable --now {service}
then see how it does: systemctl status {service}; journalctl -fu {service}"""


def unit_text(settings: Path, python: str = sys.executable) -> str:
    """The service unit for a settings file."""
    return _UNIT.format(
        python=_word(python), settings=_word(str(settings.absolute())), groups=_groups(), network=_network(settings)
    )


def write_units(folder: Path, settings: Path) -> str:
    """Write both files into ``folder``; returns how to install them. ``UsageError`` if one is there already."""
    from .init import write_new

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as wrong:
        raise UsageError(f"cannot make {folder}: {wrong.strerror}") from None
    write_new(folder / SERVICE, unit_text(settings))
    try:
        write_new(folder / WATCHDOG, _WATCHDOG)
    except UsageError:
        (folder / SERVICE).unlink()
        raise
    return _HOW.format(folder=folder, service=SERVICE, watchdog=WATCHDOG)


def _network(settings: Path) -> str:
    """What of the network the settings want; a file that is not written yet wants what is usual.

    ``UsageError`` for one that cannot be read: a guess could open more than its owner wants.
    """
    from .outside_settings import OutsideSettings, address
    from .settings_file import SettingsFileError, load

    try:
        outside = load(settings).outside if settings.exists() else OutsideSettings()
    except SettingsFileError as wrong:
        raise UsageError(str(wrong)) from None
    except OSError as wrong:
        raise UsageError(f"cannot read {settings}: {wrong.strerror}") from None
    local = address(outside.page.listen)[0] in ("127.0.0.1", "::1", "localhost")
    if outside.mqtt.host or outside.notify.command or (outside.page.serve and not local):
        return _NETWORK["open"]
    return _NETWORK["local" if outside.page.serve else "none"]


def _groups() -> str:
    try:
        grp.getgrnam(GPIO_GROUP)
    except KeyError:
        return (
            "# There is no group gpio here. Name the one that may open /dev/gpiochip* and write /sys/class/pwm:\n"
            "# SupplementaryGroups=..."
        )
    return f"SupplementaryGroups={GPIO_GROUP}"


def _word(text: str) -> str:
    """One word of a command line as the unit file wants it (systemd.service(5), "Command lines")."""
    if any(not c.isprintable() for c in text):
        raise UsageError("the path of settings file or Python holds an unprintable character: move it elsewhere")
    text = text.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%").replace("$", "$$")
    return f'"{text}"' if any(c in text for c in " '\"\\;") else text

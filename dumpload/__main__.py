"""The entry point. `off` takes a short way: it must drive the pin off before anything heavy is imported."""

import sys


def main() -> int:
    """Run the command on the command line; return its exit code."""
    if sys.argv[1:] == ["off", "--recorded"]:
        from dumpload.gpio.bare_off import main as drive_recorded_off

        return drive_recorded_off()
    if sys.argv[1:2] == ["off"]:
        from dumpload.cli.off import main as drive_off

        return drive_off(sys.argv[2:])
    if sys.argv[1:2] == ["run"]:
        import signal

        from dumpload.gpio.bare_off import drive_off_if_recorded

        # A reload asked for too early must not kill.
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
        # What a killed daemon left on must not stay on while this one loads its libraries.
        drive_off_if_recorded()
    from dumpload.cli.commands import main as run_command

    return run_command(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())

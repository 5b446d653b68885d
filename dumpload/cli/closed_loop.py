"""The command line of `replay --closed-loop`: the one place that loads what the extra `study` brings for it."""

import argparse
import sys
from typing import TYPE_CHECKING

from dumpload.cli import console
from dumpload.cli.progress import Bar
from dumpload.cli.rerun import rerun_words

if TYPE_CHECKING:
    from dumpload.config.model import Settings
    from dumpload.records.record import TableFormat


def run_closed_loop(
    args: argparse.Namespace, form: "TableFormat", settings: "Settings", recorded_with: "Settings"
) -> int:
    """Forecast and show it; return the exit code: 1 if it was refused, 2 if the record cannot be read."""
    try:
        from dumpload.forecast.closed_loop import forecast
        from dumpload.forecast.document import forecast_document, forecast_text
    except ModuleNotFoundError as error:
        return console.fail_without(args, "replay --closed-loop", "study", error)
    from dumpload.records.open import open_record
    from dumpload.records.record import ReadLog, RecordError

    try:
        with Bar(sys.stderr, "replay") as bar:
            log = ReadLog(lambda part: bar.watch(0.2 * part))
            record = open_record(args.log, form, settings)
            result = forecast(
                record, settings, recorded_with, log, watch=lambda part: bar.watch(0.2 + 0.8 * part), say=bar.say
            )
    except RecordError as error:
        console.fail(args, str(error))
        sys.stderr.write(rerun_words(args.words, error.options))
        return console.USAGE
    except KeyboardInterrupt:
        console.say_error("interrupted; nothing is shown for a part of it")
        return console.INTERRUPTED
    console.show(args, lambda: forecast_document(result), lambda: forecast_text(result))
    return console.WRONG if result.verdict.trust == "refused" else console.OK

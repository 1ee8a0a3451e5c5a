"""From a plan in the inbox to captures in the archive: spool, queue, bench, runner, journal."""

"""The service: spool, runner, archive, watcher, analysis, catalogue, report, command line."""

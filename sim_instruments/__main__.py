"""`python -m greystep.sim_instruments`."""

from .command_line import main

raise SystemExit(main())

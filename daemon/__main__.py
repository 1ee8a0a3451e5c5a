"""`python -m greystep.daemon` is the command `greystep`."""

from greystep.daemon.cli import main

if __name__ == "__main__":
    main()

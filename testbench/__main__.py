"""Entry point."""

from testbench.cli.main import main

if __name__ == "__main__":
    main()

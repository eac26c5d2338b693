"""``python -m undertray`` is the ``undertray`` command."""

from undertray.cli import main

if __name__ == "__main__":
    main()

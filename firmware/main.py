"""Started by MicroPython after boot.py, which stays empty. Everything is in the package."""

from undertray.app import run

if __name__ == "__main__":
    run()

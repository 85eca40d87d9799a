"""``python -m spotmap`` does what the command does."""

from spotmap.start import main

if __name__ == "__main__":
    main()

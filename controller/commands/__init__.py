"""One file for each command of ``playclock``. May import: anything but each other."""

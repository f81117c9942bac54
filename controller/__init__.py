"""The play clock controller: rules core, service, journal and command line."""

VERSION = "0.1.0"

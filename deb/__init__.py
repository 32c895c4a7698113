"""Makes the Debian package: its tree of files, manual pages and maintainer scripts."""

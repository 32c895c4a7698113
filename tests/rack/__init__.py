"""A virtual rack PC: a whole Debian computer in an emulator, with the package, a real init and a real kernel.

`make rack` builds it, runs it and prints one line for each promise. Nothing leaves the emulator: it has no network
card. The show network is a pair of virtual cards inside, with the desk in a network namespace of its own.
The emulator runs at about a tenth of a computer's speed, so promises here are about behaviour and never about speed.
"""

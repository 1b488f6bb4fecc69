"""`python -m hilseq` is `hilseq`."""

from hilseq.cli.main import main

main()

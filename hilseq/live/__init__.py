"""The live page: read-only pages over a folder of runs and, where there are any, the records.

| file | says |
|---|---|
| folder | which runs there are, and which of them are running |
| liveness | how a run stands: running, completed, interrupted, unfinished, damaged |
| soaking | one soak as it goes: its samples as buckets, the last ones as they are, and the strip of modes |
| follower | one run as it goes, for everybody who looks at it |
| run_presenter | a run in words: what pages and streams show of it |
| stream | the same as server-sent events, resumed where they stopped |
| history | what the records tell |
| access | who may ask, and what a browser may do with the answer |
| app, rendering | addresses and templates |
| serving | the server |

It opens files for reading only, holds none open, takes no lock and knows no instrument: a run that is looked
at is the same run. Reads journals through `hilseq.journal` and `hilseq.reports`.
"""

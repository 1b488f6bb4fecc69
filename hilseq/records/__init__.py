"""Records: the runs of all stands, in one database.

Reads journals through `hilseq.journal`; knows no instrument, no pytest and no
running process. A run never waits for the database: journals come first and are imported afterwards, in
any order, as often as one likes, from many stands at once.

`database` opens it, `tables` says what it holds, `importing` and `synchronising` fill it, `history` asks it.
SQLAlchemy is imported by those modules, not by this one.
"""

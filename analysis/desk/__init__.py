"""The desk: what the verbs do, in a browser on this machine, by the same answers.

    served = Served(Desk(store, command))
    served.address, served.run()

    cli.desk -> app -> pages (now, drive, compare, season, advice, files, help) -> work -> answers, report
                    -> gate (who may ask)   recording (its own front)

It listens on this machine alone. Whoever opens it must know the token of the first address; then a cookie stands for
it.
"""

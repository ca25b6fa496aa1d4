"""The local web page: the whole job in a browser on this machine, loaded only by `foldtrue serve`.

It computes no figure: a worker process calls the functions the command line calls, pages show what the result holds.
"""

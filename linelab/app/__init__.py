"""The local app: a page on this machine to drop recordings on, draw tracks and try what-ifs; all it does is a file or a
call of the library."""

"""The service around the kernels: media in and out, jobs, pages, the command line.

Hides files, threads, people and the network from the numerics.
"""

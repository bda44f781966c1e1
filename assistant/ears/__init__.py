"""The program's own ears: sound to phones to what may be said.

``bands`` makes the features, ``encoder`` the log-odds of the phones, ``phonegraph``
compiles what may be said, ``viterbi`` and ``decode`` find what was, ``confidence``
says how sure that is. The weights are ``ears.npz``; how they are made is in
``tests/hearing/making``.
"""

"""A virtual box: the real firmware, parts at their pins, a machine and a client.

``port.open_simulated_port`` gives it as a port, ``pty.PtyBox`` as a serial
device, ``box.VirtualBox`` bare.
"""

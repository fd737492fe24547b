"""A worker that answers what has come to its door before it shuts it."""

from gunicorn.workers.gthread import ThreadWorker


class DrainingWorker(ThreadWorker):
    """gunicorn's threads, but for the end of a worker's life.

    A client is connected as soon as the kernel has queued it, and sends its request. gunicorn's own
    worker stops taking from that queue when it is told to end and keeps the queue open for
    seconds; whoever came meanwhile is cut off. This one takes all that is queued and shuts the door
    at once: who comes later is refused by the kernel, and knows that nothing was taken.
    """

    def set_accept_enabled(self, enabled: bool) -> None:
        """Begin or stop to take connections; at the end, take what is queued first."""
        super().set_accept_enabled(enabled)
        if not self.alive:
            for listener in self.sockets:
                self._take_all(listener)
                listener.close()

    def _take_all(self, listener: object) -> None:
        taken = -1
        while self.nr_conns > taken:
            taken = self.nr_conns
            self.accept(listener)

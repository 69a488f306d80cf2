"""`tests.outbox.faults.forge`, which has the whole site imported before it forks."""

from tests.outbox.faults.forge import serve

if __name__ == "__main__":
    import tests.faults.web  # noqa: F401

    serve()

"""A process that does the work on films until it is killed; what it is to do comes in its arguments.

``python -m tests.film_worker work`` does what is due; ``... remove UUID USER`` deletes a film. It says "go" on standard
output right before it begins.
"""

import sys
import time

import django

django.setup()

from clubcoach import jobs  # noqa: E402
from clubcoach.models import User  # noqa: E402
from sessions import film_jobs_make, services  # noqa: E402
from sessions.models import Film  # noqa: E402

PIECE_S = 0.5


def main() -> None:
    film_jobs_make.PIECE_S = PIECE_S
    film_jobs_make.BUDGET_S = 0.5
    print("go", flush=True)
    if sys.argv[1] == "remove":
        film = Film.objects.select_related("club").get(uuid=sys.argv[2])
        keeper = User.objects.get(pk=int(sys.argv[3]))
        services.remove_film(by=keeper, film=film, although_open=True)
        return
    while True:
        jobs.run_due()
        time.sleep(0.05)


if __name__ == "__main__":
    main()

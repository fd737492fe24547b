"""As in service, kbapi comes before numpy: it sets the linear algebra to one thread."""

import kbapi  # noqa: F401

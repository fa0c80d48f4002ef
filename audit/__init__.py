"""photo-audit: a plan and the crew's photos in, measured findings and a signed record out."""

import os

__version__ = "0.1.0"

#: Photos show people: nothing is told to anybody. The library that runs the networks sends usage reports unless told not to.
os.environ["ORT_DISABLE_TELEMETRY"] = "1"

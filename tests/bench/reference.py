"""The calls the model is measured against.

Reads one request a line, {"call": name, "input": {...}, "seconds": least time to measure}, and answers each with
{"value": what the call gave, "seconds": processor time of one call}. To add a call, write a function below that takes the input and
gives back what is to be timed: all that is done once for many calls stands outside of that.
"""

import json
import os
import sys
import time
import warnings

# One core against one core.
os.environ.update(OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1")
warnings.simplefilter("ignore")


def local_level(values, noise, drift):
    """Log-likelihood of a drifting level, from an exact diffuse start."""
    from statsmodels.tsa.statespace.structural import UnobservedComponents

    model = UnobservedComponents(values, "local level", use_exact_diffuse=True)
    return lambda: model.loglike([noise, drift])


CALLS = {call.__name__: call for call in (local_level,)}


def measure(call, least):
    """The value of a call, and the time of one: as many are made as fill the time given, the first not counted."""
    value = call()
    calls, start = 0, time.process_time()
    while (spent := time.process_time() - start) < least or calls == 0:
        call()
        calls += 1
    return {"value": value, "seconds": spent / calls}


for line in sys.stdin:
    request = json.loads(line)
    prepared = CALLS[request["call"]](**request["input"])
    print(json.dumps(measure(prepared, request["seconds"])), flush=True)

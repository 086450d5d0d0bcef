import os

# Before numpy is loaded, here and in processes that tests start: the suite has a worker on each
# processor, and threads of the linear algebra would spin while they wait for one another beside
# them. OMP_NUM_THREADS is left alone: it would take Arrow's threads, which are tested too.
for _threads in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_threads, "1")

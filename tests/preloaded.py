"""What a command of the tests finds done when it is forked: everything imported, its pages compiled.

All of it is frozen: were it looked through for garbage in each command, each page of this memory would be copied.
"""

import gc
from importlib import import_module

from hilseq.reports import page

for name in (
    "allure_pytest.plugin",
    "hilseq.cli.main",
    "hilseq.cli.view",
    "hilseq.plugin.fixtures",
    "hilseq.plugin.hooks",
    "hilseq.plugin.soaking",
    "hilseq.reports.write",
    "hilseq_sim.__main__",
    "hilseq_sim.world.build",
    "pyvisa_py.tcpip",
    "scipy.optimize",
    "scipy.special",
):
    import_module(name)
for template in page._environment().list_templates(["j2"]):
    page._environment().get_template(template)
gc.collect()
gc.freeze()

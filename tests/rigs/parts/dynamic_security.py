"""Mosquitto's dynamic security plugin: the part of mosquitto that refuses subscriptions."""

import json
import subprocess
from pathlib import Path

import pytest


def dynamic_security(folder, allowed_topic):
    """Configure mosquitto's plugin: user "logger" may subscribe to one topic and publish anywhere."""
    plugins = sorted(Path("/usr").glob("lib*/**/mosquitto_dynamic_security.so"))
    if not plugins:
        pytest.skip("this mosquitto comes without its dynamic security plugin")
    path = folder / "dynamic-security.json"
    subprocess.run(
        ["mosquitto_ctrl", "dynsec", "init", str(path), "logger", "right"], check=True, capture_output=True
    )
    config = json.loads(path.read_text())
    config["defaultACLAccess"]["subscribe"] = False
    config["roles"][0]["acls"] = [
        {"acltype": "subscribeLiteral", "topic": allowed_topic, "allow": True},
        {"acltype": "publishClientSend", "topic": "#", "allow": True},
    ]
    path.write_text(json.dumps(config))
    return f"plugin {plugins[0]}\nplugin_opt_config_file {path}"

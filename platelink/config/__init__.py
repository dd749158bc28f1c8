"""Settings of a unit: one TOML file, checked as a whole, never written."""

from platelink.config.load import ConfigError, Problem, load, load_recorder, loads
from platelink.config.model import Config, Notice, RecorderConfig, effective
from platelink.config.services import SecretFileError
from platelink.config.show import example, show

__all__ = [
    "Config",
    "ConfigError",
    "Notice",
    "Problem",
    "RecorderConfig",
    "SecretFileError",
    "effective",
    "example",
    "load",
    "load_recorder",
    "loads",
    "show",
]

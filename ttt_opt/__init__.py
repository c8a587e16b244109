"""Plans a cycling team time trial; the main flow is :func:`ttt_opt.plan.make_plan`."""

__version__ = "0.1.0"

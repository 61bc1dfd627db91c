// How plots are inked. Law: the page's own colours, read anew at each build, so that day and night differ in nothing else.

import uPlot from "./vendor/uplot/dist/uPlot.esm.js";

const FONT = '13px Roboto, "Segoe UI", "Liberation Sans", system-ui, sans-serif';
const AXIS_PX = 46;
const RIGHT_PX = 8; // of every plot's padding
const DIGIT_PX = 7;
const TIME_STEPS_S = [1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1200, 1800, 3600, 7200];

export function ink() {
  const style = getComputedStyle(document.documentElement);
  const of = (name) => style.getPropertyValue(name).trim();
  return { ink: of("--ink"), soft: of("--soft"), hair: of("--hair"), band: of("--band"), paper: of("--paper") };
}

/** Whether words that are centred under a tick end before the plot's right edge: a time that is cut off is a wrong one. */
function fits(plot, tick, words) {
  const { min, max } = plot.scales.x;
  const left = (plot.width - AXIS_PX - RIGHT_PX) * ((max - tick) / (max - min));
  return left + RIGHT_PX >= (words.length * DIGIT_PX) / 2;
}

function alongX(format) {
  return (plot, ticks) => ticks.map((tick) => {
    const words = format(tick);
    return fits(plot, tick, words) ? words : "";
  });
}

export function axes(colour, format, steps, formatX, stepsX = TIME_STEPS_S) {
  const common = { stroke: colour.soft, font: FONT, grid: { show: false }, ticks: { stroke: colour.hair, width: 1, size: 5 } };
  return [
    { ...common, size: 30, space: 64, incrs: stepsX, values: alongX(formatX) },
    { ...common, size: AXIS_PX, space: 36, incrs: steps, values: (_, ticks) => ticks.map(format), grid: { stroke: colour.hair, width: 1 } },
  ];
}

/** A rule across the plot, drawn on the canvas. */
export function rule(plot, value, colour, width, dash) {
  if (value === null) return;
  const { left, width: span } = plot.bbox;
  const y = Math.round(plot.valToPos(value, "y", true));
  const context = plot.ctx;
  const ratio = uPlot.pxRatio;
  context.save();
  context.strokeStyle = colour.ink;
  context.lineWidth = width * ratio;
  context.setLineDash(dash.map((part) => part * ratio));
  context.beginPath();
  context.moveTo(left, y);
  context.lineTo(left + span, y);
  context.stroke();
  context.restore();
}

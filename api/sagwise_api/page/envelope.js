// Reads a chart's bytes. Law: the layout is the one in the API's document; anything else is refused.

const MAGIC = 0x48435753; // "SWCH"

/** {time: Float64Array of seconds, low: [array], high: [array]}; a span without a reading is null. */
export function decode(buffer) {
  const view = new DataView(buffer);
  if (view.getUint32(0, true) !== MAGIC || view.getUint16(4, true) !== 1) throw new Error("this is no chart");
  const head = view.getUint16(6, true);
  const channels = view.getUint32(8, true);
  const points = view.getUint32(12, true);
  const first = view.getFloat64(16, true);
  const floats = new Float32Array(buffer, head);
  if (floats.length !== points * (1 + 2 * channels)) throw new Error("the chart was cut short");
  const part = (index) => Array.from(floats.subarray(index * points, (index + 1) * points), (v) => (Number.isNaN(v) ? null : v));
  const time = Float64Array.from(floats.subarray(0, points), (offset) => first + offset);
  const low = Array.from({ length: channels }, (_, channel) => part(1 + 2 * channel));
  const high = Array.from({ length: channels }, (_, channel) => part(2 + 2 * channel));
  return { time, low, high };
}

/** `values` with each reading held for up to `seconds`: a plot finer than the readings has no holes, a real gap stays. */
export function held(time, values, seconds) {
  let last = -1;
  return values.map((value, index) => {
    if (value !== null) last = index;
    return last >= 0 && time[index] - time[last] <= seconds ? values[last] : null;
  });
}

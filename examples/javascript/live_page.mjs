// Live samples in a browser or Node 22 or newer: node live_page.mjs ws://127.0.0.1:5392/json
const socket = new WebSocket(process.argv[2]); // in a page: the address itself
let values = {};
socket.onmessage = ({ data }) => {
  const message = JSON.parse(data);
  if (message.type === "link") console.error(message.live ? "live" : `NOT LIVE: ${message.reason}`);
  if (message.type === "metadata") {
    values = Object.fromEntries(message.channels.map((one) => [one.channel, one.value]));
  }
  for (const sample of message.samples ?? []) {
    const value = values[sample.channel]; // null: this channel has raw counts only
    console.log(sample.channel, sample.sequence, value ? sample[value.key] : sample.counts);
  }
};

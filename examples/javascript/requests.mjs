// Bytes of requests to a box, for a port of your own: node requests.mjs > requests.bin
import { SettingKey, encode } from "../../protocol/languages/steelyard_protocol.mjs";

process.stdout.write(encode("identify", { correlation_id: 1 }));
process.stdout.write(encode("start_stream", { correlation_id: 2 }));
const key = SettingKey.BOX_NAME;
process.stdout.write(encode("read_setting", { correlation_id: 3, key, channel: 255 }));

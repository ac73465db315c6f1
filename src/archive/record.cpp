#include "src/archive/record.h"

#include <stdexcept>

#include <nlohmann/json.hpp>
#include <zlib.h>

#include "src/sha256.h"

namespace conebook::src {
namespace {

using Json = nlohmann::json;

Json Parsed(const std::string& text) {
  Json json = Json::parse(text, nullptr, false);
  if (!json.is_object()) throw std::logic_error("a record for the archive is not a JSON object");
  return json;
}

void RemovePaths(Json& node) {
  if (node.is_object()) node.erase("path");
  if (node.is_structured())
    for (Json& child : node) RemovePaths(child);
}

std::string Written(const Json& json) {
  return json.dump(-1, ' ', false, Json::error_handler_t::replace);
}

std::string KeyOf(Json json) {
  RemovePaths(json);
  return TextSha256(Written(json));
}

constexpr int kGzipWindow = 15 + 16;  // zlib's manual, deflateInit2: 16 more writes a gzip header

}  // namespace

Record MakeRecord(const std::string& json, std::vector<Evidence> evidence,
                  const std::vector<Superseding>& supersedes) {
  Json record = Parsed(json);
  record.erase("evidence");
  record.erase("supersedes");
  if (!evidence.empty()) {
    Json& list = record["evidence"] = Json::array();
    for (const Evidence& item : evidence)
      list.push_back({{"name", item.name}, {"sha256", TextSha256(item.bytes)}, {"bytes", item.bytes.size()}});
  }
  if (!supersedes.empty()) {
    Json& list = record["supersedes"] = Json::array();
    for (const Superseding& item : supersedes)
      list.push_back({{"record", item.record}, {"reason", item.reason}});
  }
  return {Written(record), std::move(evidence)};
}

std::string RecordKey(const std::string& json) {
  return KeyOf(Parsed(json));
}

std::string ContentKey(const std::string& json) {
  Json record = Parsed(json);
  record.erase("evidence");
  record.erase("supersedes");
  return KeyOf(std::move(record));
}

std::string InputsKey(const std::string& json) {
  const Json record = Parsed(json);
  if (record.value("schema", "") != kRunSchema) return {};
  Json inputs;
  const auto take = [&](const char* name, const Json::json_pointer& at) {
    inputs[name] = record.contains(at) ? record.at(at) : Json(nullptr);
  };
  take("element", "/element"_json_pointer);
  take("batch", "/batch"_json_pointer);
  take("footage", "/footage/sha256"_json_pointer);
  take("log", "/inputs/log/sha256"_json_pointer);
  take("calibrations", "/inputs/calibrations"_json_pointer);
  take("rig", "/settings/rig"_json_pointer);
  take("readings", "/settings/readings"_json_pointer);
  return KeyOf(std::move(inputs));
}

std::string Compressed(const std::string& bytes) {
  z_stream stream{};
  if (deflateInit2(&stream, 9, Z_DEFLATED, kGzipWindow, 9, Z_DEFAULT_STRATEGY) != Z_OK)
    throw std::runtime_error("compression could not be started");
  std::string out(deflateBound(&stream, static_cast<uLong>(bytes.size())), '\0');
  stream.next_in = reinterpret_cast<Bytef*>(const_cast<char*>(bytes.data()));
  stream.avail_in = static_cast<uInt>(bytes.size());
  stream.next_out = reinterpret_cast<Bytef*>(out.data());
  stream.avail_out = static_cast<uInt>(out.size());
  const int outcome = deflate(&stream, Z_FINISH);
  out.resize(stream.total_out);
  deflateEnd(&stream);
  if (outcome != Z_STREAM_END) throw std::runtime_error("compression failed");
  return out;
}

std::string Uncompressed(const std::string& bytes) {
  z_stream stream{};
  if (inflateInit2(&stream, kGzipWindow) != Z_OK)
    throw std::runtime_error("decompression could not be started");
  stream.next_in = reinterpret_cast<Bytef*>(const_cast<char*>(bytes.data()));
  stream.avail_in = static_cast<uInt>(bytes.size());
  std::string out;
  std::string block(1 << 16, '\0');
  int outcome = Z_OK;
  while (outcome == Z_OK) {
    stream.next_out = reinterpret_cast<Bytef*>(block.data());
    stream.avail_out = static_cast<uInt>(block.size());
    outcome = inflate(&stream, Z_NO_FLUSH);
    out.append(block, 0, block.size() - stream.avail_out);
  }
  inflateEnd(&stream);
  if (outcome != Z_STREAM_END) throw std::runtime_error("compressed bytes are damaged");
  return out;
}

}  // namespace conebook::src
